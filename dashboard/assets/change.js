/* Sends changes to the server and says how each ended: {done}, {faults: [{where, says}]}, or {away: true} when the
   server could not be reached.
   A change that may be sent twice without harm (notes) goes through `log`: it is kept on this device before it is
   sent, and stays kept until the server has answered, over a reload and over days. Owns that list and the line that
   says how long it is. Knows no page and no kind of change. */
(function (root) {
  "use strict";

  const KEPT = "dryline-kept";
  const AGAIN_MS = 10000;
  const PATIENCE_MS = 20000;
  const STORE_AWAY = 503; /* the server is there and its store is not: for what is kept here that is the same */
  const FULL = "This device has no room to keep it until the server is back. Write it down, or leave the photo out.";
  const ended = new Map(); /* what became of changes that had to wait */
  let turn = Promise.resolve();
  let ahead_ms = 0; /* how far the server's clock is ahead of this device's */

  function token() {
    const found = root.document.cookie.split("; ").find((pair) => pair.startsWith("_csrf_token="));
    return found ? decodeURIComponent(found.slice("_csrf_token=".length)) : "";
  }

  async function post(path, body, type) {
    const headers = { "X-CSRFToken": token() };
    if (type) headers["Content-Type"] = type;
    const giving_up = new AbortController();
    const timer = root.setTimeout(() => giving_up.abort(), PATIENCE_MS);
    let response;
    try {
      response = await root.fetch(path, { method: "POST", headers, body, signal: giving_up.signal });
    } catch (away) {
      return { away: true };
    } finally {
      root.clearTimeout(timer);
    }
    try {
      return Object.assign(await response.json(), { status: response.status });
    } catch (unreadable) {
      if (response.status === 413) return { faults: [{ where: "", says: "That is too large to send." }] };
      /* The door has closed (401, 403) or something between us and the server answers for it (502 and above). */
      return response.status >= 500 || response.status === 401 || response.status === 403 ? { away: true } : { faults: [{ where: "", says: "The server did not understand that." }] };
    }
  }

  function send(name, body) {
    return post("/change/" + name, JSON.stringify(body), "application/json");
  }

  /* ---- the clock: notes bear the server's time, however wrong this device's is ---- */

  function hear(at_ms) { ahead_ms = at_ms - Date.now(); }
  function now() { return Math.round(Date.now() + ahead_ms); }

  /* ---- what is kept here ---- */

  function kept() {
    try {
      const list = JSON.parse(root.localStorage.getItem(KEPT) || "[]");
      return Array.isArray(list) ? list : [];
    } catch (unreadable) {
      return [];
    }
  }

  function keep(list) {
    try {
      root.localStorage.setItem(KEPT, JSON.stringify(list));
      return true;
    } catch (full) {
      return false;
    } finally {
      tell();
    }
  }

  function without(key) { return kept().filter((one) => one.key !== key); }
  function put(entry) { return keep(kept().map((one) => (one.key === entry.key ? entry : one))); }

  function bytesOf(data_url) {
    return Uint8Array.from(root.atob(data_url.slice(data_url.indexOf(",") + 1)), (letter) => letter.charCodeAt(0));
  }

  /* One entry: its photos first, each replaced by the name that the server gave it, then the change itself. */
  async function deliver(entry) {
    for (let n = 0; n < (entry.photos || []).length; n++) {
      if (!entry.photos[n].startsWith("data:")) continue;
      const answer = await post("/photos", bytesOf(entry.photos[n]), "application/octet-stream");
      if (!answer.done) return answer;
      entry.photos[n] = answer.done.name;
      put(entry);
    }
    if (!(entry.photos || []).length) return send(entry.name, entry.body);
    const body = JSON.parse(JSON.stringify(entry.body));
    (body.notes || []).forEach((note) => { note.detail = Object.assign({}, note.detail, { photos: ((note.detail || {}).photos || []).concat(entry.photos) }); });
    return send(entry.name, body);
  }

  /* Sends what is kept, in its order; `mine` is the entry somebody waits for, whose refusal goes back to them. */
  function flush(mine) {
    turn = turn.then(async () => {
      let answer = { away: true };
      for (const entry of kept()) {
        if (entry.faults && entry.key !== mine) continue;
        const said = await deliver(entry);
        if (said.status === STORE_AWAY) said.away = true;
        if (said.away) return entry.key === mine ? said : { away: true };
        if (entry.key === mine) answer = said;
        if (said.done) ended.set(entry.key, said.done);
        if (said.done || entry.key === mine) keep(without(entry.key));
        else put(Object.assign({}, entry, { faults: said.faults }));
        if (said.done && entry.key !== mine) root.dryline.changed();
      }
      return answer;
    });
    return turn;
  }

  /* Keeps a change here and sends it: {done}, {faults} (then it is kept no more), or {kept: key}. */
  async function log(name, body, photos) {
    const key = now() + "-" + Math.random().toString(36).slice(2, 10);
    if (!keep(kept().concat([{ key, name, body, photos: photos || [] }]))) {
      const answer = photos && photos.length ? { away: true } : await send(name, body);
      return answer.away ? { faults: [{ where: "photos", says: FULL }] } : answer;
    }
    const answer = await flush(key);
    return answer.away ? { kept: key } : answer;
  }

  /* Takes back what `log` kept; when it was sent meanwhile, its own undo is sent after it. */
  async function take(key) {
    await turn;
    const done = ended.get(key);
    if (done) return done.undo ? send(done.undo[0], done.undo[1]) : { done: {} };
    keep(without(key));
    return { done: {} };
  }

  /* Puts back what was taken out of the list. */
  async function back(entry) {
    keep(without(entry.key).concat([entry]));
    return {};
  }

  function again(key) {
    keep(kept().map((one) => (one.key === key ? Object.assign({}, one, { faults: undefined }) : one)));
    return flush();
  }

  /* ---- the line that says so, on every page ---- */

  function tell() {
    if (!root.document.body) return;
    let line = root.document.getElementById("kept");
    const list = kept();
    if (!line && !list.length) return;
    if (!line) {
      line = root.document.createElement("div");
      line.id = "kept";
      line.setAttribute("role", "status");
      root.document.body.append(line);
    }
    const refused = list.filter((one) => one.faults).length;
    const waiting = list.length - refused;
    const words = [];
    if (waiting) words.push("Kept here, not sent yet: " + waiting);
    if (refused) words.push("Kept here, could not be taken: " + refused);
    line.hidden = !words.length;
    line.innerHTML = words.length ? '<a data-in href="/logbook">' + words.join(". ") + "</a>" : "";
    root.document.dispatchEvent(new CustomEvent("dryline:kept"));
  }

  root.setInterval(() => { if (kept().some((one) => !one.faults)) flush(); }, AGAIN_MS);
  root.addEventListener("online", () => flush());
  root.addEventListener("storage", (event) => { if (event.key === KEPT) tell(); });

  root.dryline = Object.assign(root.dryline || {}, {
    change: { send, post, log, take, back, again, forget: (key) => keep(without(key)), kept, flush, hear, now },
  });

  /* When every script of the page has run, and after `early/boot.js` where that began them late. */
  function begin() {
    tell();
    if (kept().length) flush();
  }
  root.addEventListener("DOMContentLoaded", begin);
  root.document.addEventListener("dryline:begun", begin);
})(window);
