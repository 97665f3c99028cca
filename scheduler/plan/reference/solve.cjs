// Solves MiniZinc models with the Chuffed solver of the npm package minizinc, in this process: its WebAssembly build is a web
// worker's script, which is given the two functions of a web worker that it asks for.
// Input: a JSON array of models, on standard input. Output: for each a line {"text": what the solver printed}.
'use strict';
const fs = require('fs');
const path = require('path');
const dist = path.join(__dirname, 'node_modules', 'minizinc', 'dist');
const models = JSON.parse(fs.readFileSync(0, 'utf8'));

let onMessage;
let answered;
let text = '';
globalThis.addEventListener = (_, handler) => { onMessage = handler; };
globalThis.postMessage = (message) => {
  if (message.type === 'stdout' || message.type === 'stderr') text += message.value;
  if (message.type === 'exit') text += message.stdout || '';
  if (message.type === 'exit' || message.type === 'ready') answered();
};
const ask = (data) => new Promise((resolve) => { answered = resolve; onMessage({data}); });

const source = fs.readFileSync(path.join(dist, 'minizinc-worker.js'), 'utf8');

(async () => {
  for (const model of models) {
    // A new instance for each model: the solver keeps state from one to the next.
    const script = new (require('module'))(path.join(dist, 'worker.cjs'));
    script.paths = [dist];
    script._compile(source, path.join(dist, 'worker.cjs'));
    await ask({wasmURL: path.join(dist, 'minizinc.wasm'), dataURL: path.join(dist, 'minizinc.data')});
    text = '';
    await ask({files: {'model.mzn': model}, args: ['--solver', 'chuffed', '-f', '--time-limit', '20000', 'model.mzn']});
    fs.writeSync(1, JSON.stringify({text}) + '\n');
  }
  process.exit(0);
})();
