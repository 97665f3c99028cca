// What every page does: take in the changes that the board sends, say when they stop, answer "where is it?".
"use strict";
(() => {
  const page = document.body.dataset;

  // morph makes one element like another and touches nothing that is the same, so that focus, selection and a screen
  // reader's place stay where they are.
  const morph = (old, fresh) => {
    if (old.nodeName !== fresh.nodeName || old.nodeType !== fresh.nodeType) {
      old.replaceWith(fresh);
      return fresh;
    }
    if (old.nodeType !== Node.ELEMENT_NODE) {
      if (old.data !== fresh.data) old.data = fresh.data;
      return old;
    }
    for (const a of [...old.attributes]) if (!fresh.hasAttribute(a.name)) old.removeAttribute(a.name);
    for (const a of fresh.attributes) if (old.getAttribute(a.name) !== a.value) old.setAttribute(a.name, a.value);
    const was = [...old.childNodes], now = [...fresh.childNodes];
    now.forEach((node, i) => (i < was.length ? morph(was[i], node) : old.append(node)));
    was.slice(now.length).forEach((node) => node.remove());
    return old;
  };

  const lists = new Map(); // name to its element and its rows by key
  for (const element of document.querySelectorAll("[data-list]")) {
    const rows = new Map();
    for (const row of element.children) rows.set(row.dataset.key, row);
    lists.set(element.dataset.list, { element, rows });
  }

  // parse reads many pieces of HTML at once, which costs far less than one after another. They were escaped by the board, and
  // no script in them would run: the page's policy forbids them.
  const parse = (pieces) => {
    const t = document.createElement("template");
    t.innerHTML = pieces.join("");
    return [...t.content.children];
  };

  // Work is done in short stretches, so that a key or a scan never waits for a large change.
  const stretch = 12; // milliseconds
  const pause = () => new Promise((go) => setTimeout(go));

  let told = 0;
  const tell = (texts) => {
    const news = document.getElementById("news");
    if (!news || texts.length === 0 || Date.now() - told < 3000) return;
    told = Date.now();
    news.textContent = texts.length > 3 ? texts.length + " new things for a person" : "New: " + texts.join("; ");
  };

  const apply = async (frame) => {
    const news = [];
    let began = performance.now();
    const sets = (frame.sets || []).filter(([name]) => lists.has(name));
    for (let at = 0, end; at < sets.length; at = end) {
      for (end = at + 1; end < sets.length && end < at + 20 && sets[end][0] === sets[at][0]; end++); // rows of one list: of tables, or not
      const part = sets.slice(at, end);
      const rows = parse(part.map(([, , html]) => html));
      for (let i = 0; i < part.length; i++) {
        const [name, key] = part[i], list = lists.get(name), fresh = rows[i], old = list.rows.get(key);
        if (!fresh) continue;
        if (old) {
          list.rows.set(key, morph(old, fresh));
        } else {
          list.rows.set(key, fresh);
          list.element.append(fresh);
          if (!frame.all && !key.startsWith("-")) fresh.classList.add("fresh");
          if (list.element.dataset.say && !key.startsWith("-")) news.push((fresh.querySelector(".say") || fresh).textContent.trim());
        }
        if (performance.now() - began > stretch) {
          await pause();
          began = performance.now();
        }
      }
    }
    for (const [name, keys] of Object.entries(frame.orders || {})) {
      const list = lists.get(name);
      if (!list) continue;
      const keep = new Set(keys);
      for (const [key, row] of list.rows) {
        if (keep.has(key)) continue;
        if (row.contains(document.activeElement)) document.getElementById("main").focus();
        row.remove();
        list.rows.delete(key);
      }
      let at = list.element.firstElementChild;
      for (const key of keys) {
        const row = list.rows.get(key);
        if (!row) continue;
        if (row === at) at = at.nextElementSibling;
        else list.element.insertBefore(row, at);
      }
    }
    if (!frame.all) tell(news);
  };

  // Frames are taken in one after another.
  let frames = [], busy = false;
  const takeIn = async (frame) => {
    if (frame.all) frames = []; // what came before is void
    frames.push(frame);
    if (busy) return;
    busy = true;
    try {
      while (frames.length > 0) {
        const started = performance.now();
        await apply(frames.shift());
        performance.measure("apply", { start: started });
      }
    } finally {
      busy = false;
    }
  };

  const lost = document.getElementById("lost"), lostText = document.getElementById("lost-text");
  let heard = new Date();
  const quiet = (since) => {
    if (!lost.hidden) return;
    lostText.textContent = "The board has not been heard since " + since.toLocaleTimeString([], { hourCycle: "h23" }) + "; what is shown is as of then. This page goes on by itself when it is back.";
    lost.hidden = false;
  };

  if (page.live) {
    let stream = null, position = page.after, retry = 0;
    const hear = () => {
      heard = new Date();
      retry = 0;
      lost.hidden = true;
    };
    const open = () => {
      if (stream) stream.close();
      stream = new EventSource(page.live + "?after=" + encodeURIComponent(position));
      stream.onopen = hear;
      stream.onmessage = (e) => {
        hear();
        if (e.lastEventId) position = e.lastEventId;
        takeIn(JSON.parse(e.data));
      };
      stream.addEventListener("beat", hear);
      stream.onerror = () => {
        quiet(heard);
        // A browser gives up on an answer that is no stream, such as that too many watch: it is asked again.
        if (stream.readyState === EventSource.CLOSED && retry === 0) retry = setTimeout(open, 5000);
      };
    };
    open();
    // A browser has few connections to one address: pages that nobody sees give theirs back, and go on when they are seen.
    let asleep = false, sleep = 0;
    document.addEventListener("visibilitychange", () => {
      clearTimeout(sleep);
      if (document.hidden) {
        sleep = setTimeout(() => {
          asleep = true;
          stream.close();
        }, 60000);
      } else if (asleep) {
        asleep = false;
        heard = new Date();
        open();
      }
    });
    setInterval(() => {
      if (asleep) return;
      if (Date.now() - heard.getTime() > 35000) {
        quiet(heard);
        heard = new Date();
        open();
      }
    }, 5000);
    // A page that comes back out of the browser's memory is old.
    addEventListener("pageshow", (e) => { if (e.persisted) location.reload(); });
  }

  for (const form of document.querySelectorAll("form.where")) {
    const box = document.getElementById("where-answer"), field = form.querySelector("input");
    if (!box) continue;
    let number = 0;
    form.addEventListener("submit", async (e) => {
      e.preventDefault();
      const mine = ++number;
      try {
        const reply = await fetch("/where?part=1&q=" + encodeURIComponent(field.value));
        const text = await reply.text();
        if (mine !== number) return;
        const t = document.createElement("template");
        t.innerHTML = text;
        box.replaceChildren(t.content);
      } catch {
        if (mine === number) box.textContent = "The board does not answer: ask again.";
      }
      field.select();
    });
  }

  for (const form of document.querySelectorAll("form[data-wait]")) {
    form.addEventListener("submit", () => {
      document.getElementById("news").textContent = form.dataset.wait;
      const line = form.querySelector(".waiting");
      if (line) line.textContent = form.dataset.wait;
    });
  }
})();
