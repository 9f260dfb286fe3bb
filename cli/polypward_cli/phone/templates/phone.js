// Photos leave the phone only when the ward has answered: until then they wait here, also through a
// reload or a lost network. Without this script the forms work as plain forms.
"use strict";
(() => {
  const box = document.getElementById("sending");
  const mark = document.querySelector("meta[name=form-mark]");
  if (!box || !mark || !window.fetch || !window.FormData) return;

  const FIRST_REST_MS = 2000, LONGEST_REST_MS = 30000, ANSWER_MS = 120000;
  let memory = [], store = null, busy = false, rest = FIRST_REST_MS, timer = 0, made = 0;

  const opened = new Promise((done) => {
    let request;
    try { request = indexedDB.open("polypward", 1); } catch (_) { return done(null); }
    request.onupgradeneeded = () => request.result.createObjectStore("waiting", { keyPath: "token" });
    request.onsuccess = () => done(request.result);
    request.onerror = () => done(null);
    request.onblocked = () => done(null);
  });
  const asked = (request) => new Promise((done, fail) => {
    request.onsuccess = () => done(request.result);
    request.onerror = () => fail(request.error);
  });
  const shelf = (way) => store.transaction("waiting", way).objectStore("waiting");
  async function put(one) {
    try { if (store) return await asked(shelf("readwrite").put(one)); } catch (_) { /* no room */ }
    memory.push(one);
  }
  async function drop(token) {
    memory = memory.filter((one) => one.token !== token);
    if (store) await asked(shelf("readwrite").delete(token)).catch(() => {});
  }
  async function all() {
    const kept = store ? await asked(shelf("readonly").getAll()).catch(() => []) : [];
    return kept.concat(memory).sort((a, b) => a.queued - b.queued || a.order - b.order);
  }

  function say(text, trouble, link) {
    box.hidden = !text;
    box.classList.toggle("trouble", Boolean(trouble));
    box.replaceChildren();
    if (!text) return;
    const line = document.createElement("p");
    line.textContent = text;
    box.append(line);
    if (link) {
      const way = document.createElement("a");
      way.className = "button plain";
      way.href = link[0];
      way.textContent = link[1];
      box.append(way);
    }
  }
  const many = (count) => (count === 1 ? "1 photo" : count + " photos");

  async function send(one) {
    const form = new FormData();
    for (const [name, value] of one.fields) form.append(name, value);
    form.append("token", one.token);
    form.append("place_in_lot", String(one.order));
    form.append("waited_s", String(Math.max(0, (Date.now() - one.queued) / 1000)));
    form.append("photo", one.blob, "photo");
    const stop = new AbortController();
    const late = setTimeout(() => stop.abort(), ANSWER_MS);
    try {
      return await fetch("/upload", {
        method: "POST", body: form, signal: stop.signal, credentials: "same-origin",
        headers: { Accept: "application/json", "X-Form-Mark": mark.content },
      });
    } finally { clearTimeout(late); }
  }

  async function pump() {
    if (busy) return;
    busy = true;
    clearTimeout(timer);
    let href = "", refused = "";
    try {
      for (let left = await all(); left.length; left = await all()) {
        say("Sending, " + many(left.length) + " to go.");
        let answer;
        try { answer = await send(left[0]); } catch (_) { return later(left.length, "No network"); }
        const said = await answer.json().catch(() => ({}));
        if (answer.ok) {
          href = said.href || href;
        } else if (answer.status === 401) {
          return say(many(left.length) + " wait on this phone. It is not paired any more.", true, ["/pair", "Pair"]);
        } else if (answer.status === 403) {
          return say(many(left.length) + " wait on this phone. This page is out of date.", true, [location.pathname, "Open it again"]);
        } else if ([400, 413, 422].includes(answer.status)) {
          refused = said.error || "The ward does not take this photo.";
        } else {
          return later(left.length, said.error || "The ward is busy");
        }
        await drop(left[0].token);
        rest = FIRST_REST_MS;
      }
      if (refused) say(refused, true, href ? [href, "See the others"] : null);
      else if (href) location.assign(href);
      else say("");
    } finally { busy = false; }
  }
  function later(count, why) {
    say(why + ". " + many(count) + (count === 1 ? " waits" : " wait") + " safe on this phone and will be sent by itself. Keep this page open.", true);
    timer = setTimeout(pump, rest);
    rest = Math.min(rest * 2, LONGEST_REST_MS);
  }

  function token() {
    const bytes = crypto.getRandomValues(new Uint8Array(10));
    return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  }
  for (const form of document.querySelectorAll("form[data-send]")) {
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const data = new FormData(form), fields = [], files = [];
      for (const [name, value] of data) {
        if (value instanceof File) { if (value.size) files.push(value); }
        else if (name !== "mark") fields.push([name, value]);
      }
      if (!files.length) return say("No photo was chosen. Take or choose one first.", true);
      const queued = Date.now();
      for (const file of files) {
        await put({ token: token(), queued, order: (made += 1), fields, blob: file });
      }
      for (const input of form.querySelectorAll("input[type=file]")) input.value = "";
      box.scrollIntoView({ block: "center" });
      pump();
    });
  }
  window.addEventListener("online", () => { rest = FIRST_REST_MS; pump(); });
  opened.then(async (db) => { store = db; if ((await all()).length) pump(); });
})();
