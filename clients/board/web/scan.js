// The scan page: takes what a barcode reader types, hands it in one after another, says loudly what became of it. While the
// board or the daemon is away scans wait in this browser, in order, each under its own id, so that none counts twice.
"use strict";
(() => {
  const root = document.getElementById("scan");
  if (!root) return;
  const station = root.dataset.station, device = root.dataset.device;
  const field = document.getElementById("code"), form = document.getElementById("scan-form");

  const bounce = 1000; // the same code again so soon is the same pull of the trigger
  const together = 20000; // two codes that belong together must come within this time; the daemon holds it, too
  const mostWaiting = 100, mostPast = 12, mostTrouble = 50;

  // What is kept outlives the page: a list for each station.
  const load = (name) => {
    try {
      const list = JSON.parse(localStorage.getItem("tandem." + name + "." + station) || "[]");
      return Array.isArray(list) ? list : [];
    } catch {
      return [];
    }
  };
  let canKeep = true;
  const save = (name, list) => {
    try {
      localStorage.setItem("tandem." + name + "." + station, JSON.stringify(list));
    } catch {
      canKeep = false;
    }
  };
  let memory = null; // the queue, where the browser keeps nothing
  const queue = () => (canKeep ? load("queue") : memory || []);
  const setQueue = (list) => {
    memory = list;
    save("queue", list);
    drawQueue();
  };

  // Scans are dated by the board's clock: this computer's may be wrong, and a scan that looks old starts nothing.
  let ahead = Number(root.dataset.now) - Date.now();
  const now = () => Date.now() + ahead;
  const setClock = async () => {
    try {
      const reply = await fetch("/scan/clock");
      ahead = (await reply.json()).now - Date.now();
    } catch {
      // the clock that is known has to do
    }
  };

  const newID = () => {
    const b = crypto.getRandomValues(new Uint8Array(16)); // a version 4 UUID, RFC 9562 section 5.4
    b[6] = (b[6] & 0x0f) | 0x40;
    b[8] = (b[8] & 0x3f) | 0x80;
    const h = [...b].map((x) => x.toString(16).padStart(2, "0")).join("");
    return h.slice(0, 8) + "-" + h.slice(8, 12) + "-" + h.slice(12, 16) + "-" + h.slice(16, 20) + "-" + h.slice(20);
  };

  const clock = (ms) => new Date(ms - ahead).toLocaleTimeString([], { hourCycle: "h23" });
  const shapes = { good: "done", next: "work", plain: "free", warn: "call", bad: "fault", wait: "wait" };
  const shape = (kind) => document.getElementById("mark-" + (shapes[kind] || "free")).content.cloneNode(true);

  const item = (kind, text, code, after) => {
    const li = document.createElement("li");
    li.className = "row";
    const word = document.createElement("span");
    word.className = "strong " + kind;
    word.append(shape(kind), text);
    const payload = document.createElement("span");
    payload.className = "code";
    payload.textContent = code;
    li.append(word, " ", payload, " " + after);
    return li;
  };

  const drawQueue = () => {
    const list = queue(), box = document.getElementById("waiting");
    box.replaceChildren(...list.map((s) => item("wait", "WAITS", s.payload, "scanned at " + clock(s.time))));
    document.getElementById("waiting-none").hidden = list.length > 0;
    document.getElementById("queue-line").textContent = list.length > 0 && away
      ? list.length + (list.length === 1 ? " scan waits" : " scans wait") + " for the daemon. Nothing of it is known to be done." : "";
  };
  const drawPast = () => document.getElementById("past").replaceChildren(...load("past").map((s) => item(s.kind, s.word, s.payload, clock(s.time) + "  " + s.message)));
  const drawTrouble = () => {
    const list = load("trouble");
    document.getElementById("trouble").replaceChildren(...list.map((s) => {
      const li = item(s.kind, s.word, s.payload, "scanned at " + clock(s.time) + ", answered at " + clock(s.answered) + ": " + s.message + " ");
      const seen = document.createElement("button");
      seen.type = "button";
      seen.textContent = "Seen";
      seen.setAttribute("aria-label", "Seen: " + s.payload);
      seen.addEventListener("click", () => {
        save("trouble", load("trouble").filter((x) => x.id !== s.id));
        drawTrouble();
        field.focus();
      });
      li.append(seen);
      return li;
    }));
    document.getElementById("trouble-none").hidden = list.length > 0;
  };

  let lapse = 0;
  const show = (kind, word, code, message) => {
    clearTimeout(lapse);
    const box = document.getElementById("answer");
    box.className = "scan-answer " + kind;
    document.getElementById("answer-mark").replaceChildren(shape(kind));
    document.getElementById("answer-text").textContent = word;
    document.getElementById("answer-code").textContent = code;
    document.getElementById("answer-message").textContent = message;
    if (kind === "next") lapse = setTimeout(() => show("plain", "READY", "", "The entry was not completed in time: begin again."), together);
    sound(kind);
  };

  // Sounds: browsers play none before a key or a click, which the first scan is.
  let audio = null;
  let loud = localStorage.getItem("tandem.sound") !== "off";
  const tones = { good: [[880, 0.09], [1320, 0.14]], next: [[740, 0.12]], plain: [[620, 0.1]], warn: [[520, 0.12], [520, 0.12]], bad: [[220, 0.28], [165, 0.4]], wait: [[400, 0.2]] };
  const sound = (kind) => {
    if (!loud || !audio) return;
    let at = audio.currentTime + 0.01;
    for (const [hertz, seconds] of tones[kind] || []) {
      const o = audio.createOscillator(), g = audio.createGain();
      o.type = kind === "bad" ? "square" : "sine";
      o.frequency.value = hertz;
      g.gain.setValueAtTime(0.25, at);
      g.gain.exponentialRampToValueAtTime(0.001, at + seconds);
      o.connect(g).connect(audio.destination);
      o.start(at);
      o.stop(at + seconds);
      at += seconds + 0.03;
    }
  };
  const wake = () => {
    if (!audio && window.AudioContext) audio = new AudioContext();
    if (audio && audio.state === "suspended") audio.resume();
  };
  addEventListener("keydown", wake);
  addEventListener("pointerdown", wake);
  const button = document.getElementById("sound");
  const drawSound = () => {
    button.setAttribute("aria-pressed", String(loud));
    button.textContent = loud ? "Sound is on" : "Sound is off";
  };
  button.addEventListener("click", () => {
    loud = !loud;
    try {
      localStorage.setItem("tandem.sound", loud ? "on" : "off");
    } catch {
      // then it is on again next time
    }
    drawSound();
    field.focus();
  });

  const keep = (name, most, entry) => save(name, [entry, ...load(name).filter((s) => s.id !== entry.id)].slice(0, most));
  const answered = (scan, kind, word, message) => {
    const waited = scan.waited || now() - scan.time > 5000;
    const entry = { id: scan.id, payload: scan.payload, time: scan.time, answered: now(), kind, word, message };
    keep("past", mostPast, entry);
    if (waited && (kind === "bad" || kind === "warn" || kind === "next")) {
      keep("trouble", mostTrouble, entry);
      drawTrouble();
    }
    drawPast();
    show(kind, word, scan.payload, message);
  };

  let away = false, sending = false, pause = 500, timer = 0;
  const send = async () => {
    clearTimeout(timer);
    if (sending) return;
    sending = true;
    try {
      for (let scan = queue()[0]; scan; scan = queue()[0]) {
        let reply = null, out = null;
        try {
          reply = await fetch("/scan", {
            method: "POST",
            headers: { "Content-Type": "application/json" },
            body: JSON.stringify({ station, device: scan.device, payload: scan.payload, scan_id: scan.id, time: Math.round(scan.time) }),
            signal: AbortSignal.timeout(8000),
          });
          out = await reply.json();
        } catch {
          out = { later: true, message: "the board does not answer" };
        }
        if (out.later) {
          if (!away) {
            away = true;
            show("wait", "WAITS", scan.payload, "Not handed in (" + out.message + "). Nothing is known to be done; it is handed in when the daemon is back. A start may still come: keep clear of the machine.");
          }
          setQueue(queue().map((s) => ({ ...s, waited: true })));
          timer = setTimeout(send, pause);
          pause = Math.min(2 * pause, 4000);
          return;
        }
        away = false;
        pause = 500;
        setQueue(queue().filter((s) => s.id !== scan.id));
        answered(scan, out.kind || "bad", out.word || "REFUSED", out.message || "");
      }
    } finally {
      sending = false;
      drawQueue();
    }
  };

  let last = { payload: "", at: -bounce };
  const take = (text) => {
    const payload = text.trim();
    if (!payload) return;
    const at = performance.now();
    if (payload === last.payload && at - last.at < bounce) {
      last.at = at; // a trigger that is held down stays one pull
      show("warn", "IGNORED", payload, "The same code within a second: taken for one scan.");
      return;
    }
    last = { payload, at };
    const list = queue();
    if (list.length >= mostWaiting) {
      show("bad", "REFUSED", payload, mostWaiting + " scans wait already: scan it again when the daemon is back.");
      return;
    }
    if (away) show("wait", "WAITS", payload, (list.length === 1 ? "1 scan" : list.length + " scans") + " before it. Nothing has been done yet.");
    setQueue([...list, { id: newID(), payload, device, time: now(), waited: away }]);
    send();
  };

  form.addEventListener("submit", (e) => {
    e.preventDefault();
    take(field.value);
    field.value = "";
    field.focus();
  });
  field.addEventListener("keydown", (e) => {
    if (e.key === "Tab" && !e.shiftKey && field.value !== "") { // readers may be set to end a code so
      e.preventDefault();
      take(field.value);
      field.value = "";
    }
  });
  // Whatever has the focus, what a reader types goes into the field; buttons and links still obey Enter and Space.
  addEventListener("keydown", (e) => {
    if (document.activeElement === field || e.ctrlKey || e.altKey || e.metaKey || e.key.length !== 1 || e.key === " ") return;
    field.focus();
  });
  addEventListener("click", (e) => {
    if (!e.target.closest("a, button, input, select, label, summary")) field.focus();
  });
  addEventListener("focus", () => field.focus());
  addEventListener("online", () => send());
  addEventListener("storage", () => { // another page of this station
    drawQueue();
    drawPast();
    drawTrouble();
  });

  field.focus();
  document.getElementById("answer-mark").replaceChildren(shape("plain"));
  drawSound();
  drawQueue();
  drawPast();
  drawTrouble();
  setClock();
  setInterval(setClock, 60000);
  send();
})();
