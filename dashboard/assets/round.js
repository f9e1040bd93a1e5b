/* The ticks of a round: a tap on what was found logs "filled to the mark, amount unknown" (or to how many mm, for a pot
   that is eased over), also while the server is away, and can be undone in its row for ten seconds. What was ticked on this device in the last three hours stays ticked
   when the page is opened again. Owns the nodes inside a row's tiles and #round-done; plans nothing. */
(function (root) {
  "use strict";

  const document = root.document;
  const TICKED = "dryline-round";
  const UNDO_MS = 10000;
  const ROUND_MS = 3 * 3600000; /* a round is over by then */
  const timers = new Map(); /* pot -> until when its tick can be undone */
  const pending = new Map(); /* pot -> the answer to its tick, for its undo */
  let facts = { now_ms: 0, time_zone: "UTC" };

  const escape = (text) => root.dryline.speak.escape(text);
  const rows = (pot) => Array.from(document.querySelectorAll("#round [data-row]")).filter((row) => row.getAttribute("data-row") === pot);

  /* ---- what was ticked here: {pot: {found, to, time_ms, kept}} ---- */

  function ticked() {
    try {
      const all = JSON.parse(root.localStorage.getItem(TICKED) || "{}");
      const fresh = {};
      Object.keys(all).forEach((pot) => { if (root.dryline.change.now() - all[pot].time_ms < ROUND_MS) fresh[pot] = all[pot]; });
      return fresh;
    } catch (unreadable) {
      return {};
    }
  }

  function remember(pot, tick) {
    const all = ticked();
    if (tick) all[pot] = tick; else delete all[pot];
    try { root.localStorage.setItem(TICKED, JSON.stringify(all)); } catch (full) { /* the note itself is safe */ }
  }

  /* ---- painting ---- */

  function says(tick) {
    return "found " + tick.found + ", filled to " + (tick.to || "the mark") + " " + root.dryline.speak.clock(tick.time_ms, facts.time_zone);
  }

  function paintRow(row, tick, fault) {
    const pot = row.getAttribute("data-row");
    let told = row.querySelector(".round-told");
    if (!told) {
      row.insertAdjacentHTML("beforeend", '<div class="round-told" role="status"></div>');
      told = row.querySelector(".round-told");
    }
    row.classList.toggle("round-ticked", Boolean(tick));
    const tiles = row.querySelector(".round-tiles");
    tiles.hidden = Boolean(tick);
    if (!tick) { told.innerHTML = fault ? '<span class="round-fault">' + escape(fault) + "</span>" : ""; return; }
    const waiting = tick.kept && root.dryline.change.kept().some((one) => one.key === tick.kept);
    const open = timers.has(pot);
    told.innerHTML = '<i class="vessel vessel-' + tick.found + '"></i><span>' + escape(says(tick)) + (waiting ? "<small>kept on this device until the server is back</small>" : "") + "</span>" +
      (open ? '<button type="button" data-untick="' + escape(pot) + '" aria-label="' + escape("Undo: " + pot) + '">Undo</button>' : "");
  }

  function paintPot(pot, fault) { rows(pot).forEach((row) => paintRow(row, ticked()[pot], fault)); tally(); }

  function tally() {
    const place = document.getElementById("round-done");
    if (!place) return;
    const all = ticked();
    const onPage = new Set(Array.from(document.querySelectorAll("#round > div [data-row]")).map((row) => row.getAttribute("data-row")));
    const gone = Object.keys(all).filter((pot) => !onPage.has(pot));
    const done = Array.from(onPage).filter((pot) => all[pot]).length;
    place.innerHTML = '<p class="round-tally" role="status">' + (onPage.size ? done + " of " + onPage.size + " filled" : "") +
      (gone.length ? (onPage.size ? "; " : "") + "also filled: " + escape(gone.join(", ")) : "") + "</p>";
  }

  function paint(given) {
    if (!given) return root.dash_clientside.no_update;
    facts = given;
    root.dryline.change.hear(given.now_ms);
    const all = ticked();
    document.querySelectorAll("#round [data-row]").forEach((row) => paintRow(row, all[row.getAttribute("data-row")]));
    tally();
    return root.dash_clientside.no_update;
  }

  /* ---- ticking and taking back ---- */

  /* to_mm, to: for a pot that is filled lower than its mark, to how many mm, and the same in words. */
  async function tick(pot, found, to_mm, to) {
    const note = { pot, kind: "refill", time_ms: root.dryline.change.now(), detail: { filled_to_mark: !to_mm, found } };
    if (to_mm) note.level_mm = to_mm;
    open(pot);
    remember(pot, { found, to, time_ms: note.time_ms });
    paintPot(pot);
    const sending = root.dryline.change.log("notes", { notes: [note] });
    pending.set(pot, sending);
    const answer = await sending;
    if (answer.faults) {
      close(pot);
      remember(pot, null);
      paintPot(pot, answer.faults.map((fault) => fault.says).join(" "));
      return;
    }
    const now = ticked()[pot];
    if (now && now.time_ms === note.time_ms) remember(pot, { found, to, time_ms: note.time_ms, kept: answer.kept || null });
    paintPot(pot);
  }

  async function untick(pot) {
    close(pot);
    const answer = await pending.get(pot);
    let back = { done: {} };
    if (answer && answer.kept) back = await root.dryline.change.take(answer.kept);
    else if (answer && answer.done) back = await root.dryline.change.send(answer.done.undo[0], answer.done.undo[1]);
    if (back.done) {
      remember(pot, null);
      paintPot(pot);
      const first = rows(pot)[0] && rows(pot)[0].querySelector("[data-tick]");
      if (first) first.focus();
      return;
    }
    if (back.away) open(pot);
    paintPot(pot);
    root.dryline.say(back.away ? "The server is away: it could not be taken back. Try again." : back.faults.map((fault) => fault.says).join(" "));
  }

  function open(pot) {
    root.clearTimeout(timers.get(pot));
    timers.set(pot, root.setTimeout(() => { timers.delete(pot); paintPot(pot); }, UNDO_MS));
  }

  function close(pot) {
    root.clearTimeout(timers.get(pot));
    timers.delete(pot);
  }

  document.addEventListener("click", (event) => {
    const near = (what) => event.target.closest && event.target.closest(what);
    const tile = near("[data-tick]");
    const back = near("[data-untick]");
    if (tile) tick(...JSON.parse(tile.getAttribute("data-tick")));
    if (back) untick(back.getAttribute("data-untick"));
    if (near("#round-print")) root.print();
  });

  /* A tick that had waited for the server is told as sent. */
  document.addEventListener("dryline:kept", () => { Object.keys(ticked()).forEach((pot) => paintPot(pot)); });

  root.dash_clientside = root.dash_clientside || {};
  root.dash_clientside.round = { paint };
})(window);
