/* Paints the Logbook: the pots, the three-tap inspection, the forms, what is due and what was noted. Owns every node
   inside #logbook; what it knows it keeps, so that an inspection goes on while the server is away. */
(function (root) {
  "use strict";

  const escape = (text) => root.dryline.speak.escape(text);
  const words = () => root.dryline.noteWords;
  const change = () => root.dryline.change;
  const SHOWN_AT_FIRST = 40;
  const DAY_MS = 86400000;
  const SOON_MS = 14 * DAY_MS;
  const SPANS = [[14, "two weeks"], [90, "three months"], [400, "a year"], [null, "everything"]];
  const KIND = { inspection: "Inspection", text: "Note", died: "Died", gone: "Gone" };
  const AIR = "air"; /* what a hygrometer showed on a shelf: readings, no note */

  const seen = { node: null, path: null, parts: null, forms: null, base: null, told: {}, depth: null, kept: null, all: false, span: 14 };

  /* ---- where we are ---- */

  function steps(path) {
    return (path || "").split("/").filter(Boolean).map((step) => { try { return decodeURIComponent(step); } catch (broken) { return step; } });
  }

  function viewOf(path) {
    const [first, second, third] = steps(path);
    if (first === "note") {
      if (second && /^\d+$/.test(second)) return { name: "correct", note: Number(second), about: "note:" + Number(second) };
      return { name: second ? "form" : "kinds", kind: second, shelf: third, about: "all" };
    }
    if (second && third) return { name: "form", pot: second, kind: third, about: "pot:" + second };
    return second ? { name: "pot", pot: second, about: "pot:" + second } : { name: "pots", about: "all" };
  }

  const potPath = (pot) => "/logbook/" + encodeURIComponent(pot);
  const units = () => (seen.base ? seen.base.units : "metric");
  const zone = () => (seen.base ? seen.base.time_zone : "UTC");
  const shelves = () => (seen.base ? seen.base.shelves : []);
  const titleOf = (kind) => { for (const [, kinds] of seen.forms.groups) for (const one of kinds) if (one[0] === kind) return one[1]; return null; };
  const kindWord = (kind) => KIND[kind] || titleOf(kind) || kind;

  function placeOf(pot) {
    for (const shelf of shelves()) for (const one of shelf.pots) if (one.label === pot) return { shelf: shelf.label, plant: one.plant, looked_ms: one.looked_ms, others: shelf.pots };
    return null;
  }

  function ago(ms) {
    const days = Math.floor((change().now() - ms) / DAY_MS);
    return days < 1 ? "looked today" : days === 1 ? "looked yesterday" : "looked " + days + " days ago";
  }

  /* ---- the pots ---- */

  function potsHtml() {
    const due = (seen.base.due || []).filter(isNear);
    const empty = !shelves().some((shelf) => shelf.pots.length);
    return ['<div class="logbook-head"><h1>Logbook</h1><div class="logbook-doors">' + (empty ? "" : '<a class="door" data-in href="/note">One note for many</a>') + "</div></div>" + waitingHtml(),
      dueHtml(due, "Due"),
      (empty ? '<div class="logbook-empty"><p>No pot is in the logbook yet. Once the first one stands on its shelf, an inspection takes three taps: the pot, how deep it is dry, how its root tips look.</p><a class="door door-first" data-in href="/start">Enter the first pot</a></div>'
        : '<section aria-labelledby="whose"><h2 id="whose">Inspect which pot?</h2>' + shelves().map(shelfHtml).join("") + "</section>"),
      historyHtml(seen.told.all, true)];
  }

  function shelfHtml(shelf) {
    if (!shelf.pots.length) return "";
    const fill = shelf.label === null ? "" : '<button type="button" class="plain-button" data-fill="' + escape(shelf.label) + '">filled the whole shelf</button>';
    return '<div class="logbook-shelf"><h3>' + escape(shelf.label === null ? "on no shelf yet" : shelf.label) + fill + '</h3><div class="tiles">' +
      shelf.pots.map((pot) => '<a class="pot-tile" data-in data-from-pots href="' + escape(potPath(pot.label)) + '"><b>' + escape(pot.label) + "</b><small>" + (pot.looked_ms ? ago(pot.looked_ms) : "not looked at lately") + "</small></a>").join("") + "</div></div>";
  }

  function waitingHtml() {
    const list = change().kept();
    if (!list.length) return "";
    return '<section class="logbook-waiting" aria-labelledby="waiting"><h2 id="waiting">Kept on this device</h2><ul class="plain-list">' + list.map((one) => {
      const notes = (one.body && one.body.notes) || [];
      const what = notes.map((note) => kindWord(note.kind) + (note.pot ? " of " + note.pot : one.body.shelf ? " of the shelf " + one.body.shelf : "")).join("; ") || (one.name === "spot_check" ? "Air of " + one.body.shelf : one.name);
      const state = one.faults ? "could not be taken: " + one.faults.map((fault) => fault.says).join(" ") : "is sent as soon as the server is back";
      return "<li><span><b>" + escape(what) + "</b> " + escape(state) + '</span><span class="row-doors">' + (one.faults ? '<button type="button" class="door" data-again="' + escape(one.key) + '">Try again</button>' : "") + '<button type="button" class="door" data-forget="' + escape(one.key) + '">Take out</button></span></li>';
    }).join("") + "</ul></section>";
  }

  /* ---- follow-ups ---- */

  function isNear(one) { return one.state !== "waiting" || one.due_ms - change().now() < SOON_MS; }

  function laterHtml(list) {
    return list.length ? '<p class="logbook-later">Later: ' + list.map((one) => escape(words().dayOf(one.due_ms, zone()) + ", " + one.says)).join(" ") + "</p>" : "";
  }

  function dueHtml(list, heading, here) {
    if (!list.length) return "";
    return '<section aria-labelledby="due"><h2 id="due">' + heading + '</h2><ul class="plain-list due">' + list.map((one) => {
      const body = { note_id: one.note_id, step: one.step };
      const tap = (name, more, label) => '<button type="button" class="door" data-tap="' + escape(JSON.stringify([name, Object.assign({}, body, more)])) + '">' + label + "</button>";
      const state = one.state === "due" ? "since " : one.state === "snoozed" ? "put off until " : "on ";
      const way = one.kind === "inspection" && one.pot && one.pot !== here ? '<a class="door door-first" data-in href="' + escape(potPath(one.pot)) + '">Inspect</a>' : "";
      return '<li class="due-' + one.state + '"><span><b>' + escape(one.says) + "</b> <small>" + state + escape(words().dayOf(one.due_ms, zone())) + '</small></span><span class="row-doors">' + way +
        (one.state === "snoozed" ? tap("follow_up_open", {}, "Open again") : tap("follow_up_done", {}, "Done") + tap("follow_up_snoozed", { days: 7 }, "In a week")) + "</span></li>";
    }).join("") + "</ul></section>";
  }

  /* ---- one pot: three taps ---- */

  function potHtml(pot) {
    const told = seen.told["pot:" + pot];
    if (told && told.refused) return sentence("No such pot", told.refused);
    const place = placeOf(pot);
    const about = told && told.pot;
    if (!place && !about) return told ? sentence("No such pot", "No pot is called “" + pot + "”.") : sentence("A moment", "Reading the notes of " + pot + ".");
    const where = [(place || about).plant, place ? place.shelf : about.shelf].filter(Boolean).join(", ");
    const gone = about && about.gone_ms;
    const due = ((told || seen.base).due || []).filter((one) => one.pot === pot);
    return ['<div class="logbook-head"><div class="logbook-pot">' + cutHtml(pot) + "<div><h1>" + escape(pot) + '</h1><p class="logbook-where">' + escape(where) + '</p></div></div><div class="logbook-doors">' + storyDoor(pot) + '<a class="door" data-in href="/logbook">All pots</a></div></div>',
      (gone ? '<p class="logbook-gone">Noted as gone since ' + escape(words().when(gone, zone())) + ".</p>" : inspectionHtml(pot, place)),
      dueHtml(due.filter(isNear), "Due for this pot", pot) + laterHtml(due.filter((one) => !isNear(one))) + kindsHtml(pot),
      historyHtml(told, false)];
  }

  /* The pot as it stands, small, so that a hand knows before it looks. */
  function cutHtml(pot) {
    if (!seen.section || seen.section.pot !== pot) return '<div class="logbook-cut"></div>'; /* its room is kept, so that nothing moves when it comes */
    const length = (mm) => root.dryline.speak.length(mm, units());
    return '<div class="logbook-cut">' + root.dryline.section.draw(seen.section.section, { exaggerate: false, width: 120, height: 112, id: "logbook-cut", length }) + "</div>";
  }

  function storyDoor(pot) {
    const pages = (seen.node.getAttribute("data-pages") || "").split(" ");
    return pages.includes("story") ? '<a class="door" data-in href="/story/' + encodeURIComponent(pot) + '">Story</a>' : "";
  }

  function inspectionHtml(pot, place) {
    if (seen.kept && seen.kept.pot === pot) return keptHtml(pot, place);
    if (!seen.depth) {
      return '<section class="look" aria-labelledby="step"><h2 id="step" tabindex="-1">How deep is it dry?</h2><div class="taps">' + root.dryline.inspection.DEPTHS.map((one, n) =>
        '<button type="button" class="tap" data-depth="' + n + '">' + root.dryline.inspection.depth(one.note) + "<b>" + one.words + "</b><small>" + (depthRange(one.note) || "&nbsp;") + "</small></button>").join("") + "</div></section>";
    }
    return '<section class="look" aria-labelledby="step"><h2 id="step" tabindex="-1">And its root tips?</h2><div class="taps">' + root.dryline.inspection.TIPS.map((one, n) =>
      '<button type="button" class="tap" data-tips="' + n + '">' + root.dryline.inspection.tip(one.draw) + "<b>" + one.words + "</b></button>").join("") + "</div></section>";
  }

  function depthRange(note) {
    if (note.how === "cannot_see") return "";
    if (note.dry_layer_high_mm === 0) return escape(words().length(0, units()));
    const said = words().between(note.dry_layer_low_mm, note.dry_layer_high_mm, units());
    return escape(said.replace("dry to ", ""));
  }

  function keptHtml(pot, place) {
    const kept = seen.kept;
    const others = place ? place.others.filter((one) => one.label !== pot).sort((a, b) => (a.looked_ms || 0) - (b.looked_ms || 0)).slice(0, 5) : [];
    const say = words().parts(kept.note, units(), zone()).join("; ");
    return '<section class="look look-kept" aria-labelledby="step"><h2 id="step" tabindex="-1">' + (kept.key ? "Kept on this device" : "Kept") + "</h2><p>" + escape(say || "Looked at.") + '</p><div class="logbook-doors">' +
      '<label class="door photo-door">Add a photo<input type="file" accept="image/*" capture="environment" data-shot></label>' +
      (kept.ids ? '<a class="door" data-in href="/note/' + kept.ids[0] + '">Say more</a>' : "") + '<button type="button" class="door" data-once-more>Look again</button></div>' +
      (others.length ? '<h3>Next on this shelf</h3><div class="tiles">' + others.map((one) => '<a class="pot-tile" data-in data-from-pots href="' + escape(potPath(one.label)) + '"><b>' + escape(one.label) + "</b><small>" + (one.looked_ms ? ago(one.looked_ms) : "not looked at lately") + "</small></a>").join("") + "</div>" : "") + "</section>";
  }

  async function tapDepth(pot, n) {
    seen.depth = { pot, n };
    repaint(true);
    root.dryline.undo(root.dryline.inspection.DEPTHS[n].words + ".", async () => { seen.depth = null; repaint(true); return {}; });
  }

  async function tapTips(pot, n) {
    if (seen.busy) return; /* a wet thumb taps twice */
    seen.busy = true;
    try { await keepLook(pot, n); } finally { seen.busy = false; }
  }

  async function keepLook(pot, n) {
    const depth = root.dryline.inspection.DEPTHS[seen.depth.n];
    const note = Object.assign({ kind: "inspection", pot, time_ms: change().now() }, depth.note, root.dryline.inspection.TIPS[n].note);
    const answer = await change().log("notes", { notes: [note] });
    if (answer.faults) { root.dryline.say(answer.faults.map((fault) => fault.says).join(" ")); return; }
    seen.depth = null;
    seen.kept = { pot, note, ids: answer.done && answer.done.ids, key: answer.kept };
    if (answer.done) place(pot, note.time_ms);
    repaint(true);
    const back = answer.kept ? () => change().take(answer.kept) : () => change().send(answer.done.undo[0], answer.done.undo[1]);
    root.dryline.undo(answer.done ? answer.done.says : "Kept on this device until the server is back.", async () => {
      const said = await back();
      if (!said.away && !said.faults && seen.kept && seen.kept.note === note) { seen.kept = null; repaint(true); }
      return said;
    });
    root.dryline.changed();
  }

  /* The tile of a pot knows at once that it was looked at. */
  function place(pot, looked_ms) {
    shelves().forEach((shelf) => shelf.pots.forEach((one) => { if (one.label === pot) one.looked_ms = looked_ms; }));
  }

  async function shot(pot, input) {
    const file = input.files[0];
    if (!file) return;
    let photo;
    try {
      photo = await root.dryline.forms.smaller(file);
    } catch (unreadable) {
      root.dryline.say("“" + file.name + "” is not a photo that can be read; take a JPEG, PNG or WebP.");
      return;
    }
    input.value = "";
    const answer = await change().log("notes", { notes: [{ kind: "photo", pot, time_ms: change().now() }] }, [photo]);
    if (answer.faults) root.dryline.say(answer.faults.map((fault) => fault.says).join(" "));
    else { root.dryline.told(answer); root.dryline.changed(); }
  }

  async function fillShelf(shelf) {
    const answer = await change().log("notes", { notes: [{ kind: "refill", time_ms: change().now() }], shelf });
    if (answer.faults) root.dryline.say(answer.faults.map((fault) => fault.says).join(" "));
    else { root.dryline.told(answer); root.dryline.changed(); }
  }

  /* ---- every other note ---- */

  function kindsHtml(pot) {
    const path = (kind) => (pot === null ? "/note/" + kind : potPath(pot) + "/" + kind);
    const of = (kind) => pot === null || !["absence", "column_test"].includes(kind);
    return '<section aria-labelledby="other"><h2 id="other">' + (pot === null ? "What is to be noted?" : "Anything else") + "</h2>" + seen.forms.groups.map(([heading, kinds]) => {
      const here = kinds.filter(([kind]) => of(kind));
      return here.length ? '<div class="kinds"><h3>' + escape(heading) + '</h3><div class="tiles">' + here.map(([kind, title]) => '<a class="kind-tile" data-in href="' + escape(path(kind)) + '">' + escape(title) + "</a>").join("") + "</div></div>" : "";
    }).join("") + airDoor(pot) + "</section>";
  }

  function airDoor(pot) {
    const on = pot === null ? null : (placeOf(pot) || {}).shelf;
    if (!shelves().some((shelf) => shelf.label !== null) || (pot !== null && !on)) return "";
    return '<div class="kinds"><h3>Air</h3><div class="tiles"><a class="kind-tile" data-in href="/note/' + AIR + (on ? "/" + encodeURIComponent(on) : "") + '">' + escape(seen.forms.air) + "</a></div></div>";
  }

  function airSpec(shelf) {
    const known = shelves().map((one) => one.label);
    return {
      change: "spot_check", log: true, units: units(), fields: fieldsOf(AIR, ""), values: known.includes(shelf) ? { shelf } : {}, button: "Keep this reading", cancel: "/logbook", go: "/logbook",
      prepare: (body) => (body.time ? body : Object.assign({ time_ms: change().now() }, body)),
    };
  }

  function fieldsOf(kind, pot) {
    const made = seen.forms.fields[kind].map((field) => {
      if (field.fill === "shelves") return Object.assign({}, field, { words: shelves().filter((shelf) => shelf.label !== null).map((shelf) => [shelf.label, shelf.label]) });
      if (field.fill === "batches") return Object.assign({}, field, { words: seen.base.batches || [] });
      if (field.hint) return Object.assign({}, field, { hint: root.dryline.speak.option(field.hint, units()) });
      return field;
    });
    if (pot !== null || kind === "absence" || kind === "column_test") return made;
    const needed = !seen.forms.without_pot.includes(kind);
    const whose = { key: "pots", label: needed ? "Which pots?" : "Which pots? None means the whole collection.", sort: "pots", needed, missing: "Choose at least one pot.", shelves: shelves().map((shelf) => ({ label: shelf.label === null ? "on no shelf yet" : shelf.label, pots: shelf.pots.map((one) => one.label) })).filter((shelf) => shelf.pots.length) };
    return [whose].concat(made);
  }

  /* What a note of a kind cannot be without: a look that says nothing would count as a look, and a change that names
     nothing changes nothing. */
  const saysNothing = ({ pots, time, why, detail, ...rest }) => !Object.keys(rest).length && !Object.keys(detail || {}).some((key) => key !== "by");
  const lacking = (where, says) => (body) => (saysNothing(body) ? [{ where, says }] : []);
  const LACKS = {
    inspection: lacking("dry_layer_low_mm", "Note one thing that you saw: how deep it is dry, a root tip, or “could not see”."),
    treatment: lacking("detail.against", "Note what it was against, or with what: as it stands, it says nothing."),
    cover: lacking("detail.change.top_layer.kind", "Choose the new cover: as it stands, it changes nothing."),
    holes: lacking("detail.change.vents", "Say how many holes there are now: as it stands, it changes nothing."),
    wick: lacking("detail.change.wick", "Say what the wick is now: as it stands, it changes nothing."),
    photo: () => [{ where: "photos", says: "Take a photo, or choose one." }],
  };

  function formSpec(kind, pot) {
    return {
      change: "notes", log: true, units: units(), fields: fieldsOf(kind, pot), button: "Keep this note", cancel: pot === null ? "/logbook" : potPath(pot), go: pot === null ? "/logbook" : potPath(pot),
      lacks: (body, photos) => (!photos.length && LACKS[kind] ? LACKS[kind](body) : []),
      prepare(body) {
        const { pots, time, ...note } = body;
        note.kind = kind;
        if (pot !== null) note.pot = pot;
        const now = change().now();
        /* The moment to the millisecond, so that two notes of one minute differ and one sent twice does not. */
        if (time) note.time = time + ":" + String(Math.floor(now / 1000) % 60).padStart(2, "0") + "." + String(now % 1000).padStart(3, "0");
        else note.time_ms = now;
        return Object.assign({ notes: [note] }, pots ? { pots } : {});
      },
    };
  }

  function correctSpec(note) {
    const kind = note.kind;
    const values = JSON.parse(JSON.stringify(note));
    values.time = words().local(note.time_ms, zone());
    if (values.detail && values.detail.until_ms) values.detail.until_ms = words().local(values.detail.until_ms, zone());
    const fields = fieldsOf(kind, note.pot === undefined ? "" : note.pot).filter((field) => field.sort !== "photos").map((field) => (field.key === "time" ? Object.assign({}, field, { hint: undefined, needed: true }) : field));
    const home = note.pot ? potPath(note.pot) : "/logbook";
    return {
      change: "note_corrected", units: units(), fields, values, button: "Correct it", cancel: home, go: home,
      prepare(body) {
        const changes = {};
        const { detail, time, ...plain } = body;
        fields.filter((field) => !field.key.includes(".") && !["heading", "caution"].includes(field.sort) && field.key !== "time").forEach((field) => {
          const now = plain[field.key] === undefined ? null : plain[field.key];
          const was = note[field.key] === undefined ? null : note[field.key];
          if (now !== was) changes[field.key] = now;
        });
        if (time !== values.time) changes.time = time;
        const whole = Object.assign({}, note.detail && note.detail.photos ? { photos: note.detail.photos } : {}, detail);
        if (JSON.stringify(whole) !== JSON.stringify(note.detail || {})) changes.detail = Object.keys(whole).length ? whole : null;
        return { id: note.id, version: note.version || 1, changes };
      },
    };
  }

  /* A form is put up once for an address and then left alone: what is being typed outlives every answer. */
  function formHtml(heading, below) {
    return '<div class="logbook-head"><div><h1>' + escape(heading) + "</h1>" + (below ? '<p class="logbook-where">' + escape(below) + "</p>" : "") + '</div></div><div class="form-place"></div>';
  }

  /* ---- what was noted ---- */

  function historyHtml(told, all) {
    const heading = '<h2 id="noted">' + (all ? "Noted before" : "Noted of this pot") + "</h2>";
    const spans = all ? '<div class="spans" role="group" aria-label="How far back">' + SPANS.map(([days, label]) => '<button type="button" class="span" data-span="' + days + '"' + (days === seen.span ? ' aria-pressed="true"' : ' aria-pressed="false"') + ">" + label + "</button>").join("") + "</div>" : "";
    const open = '<section class="noted" aria-labelledby="noted"><div class="noted-head">' + heading + spans + "</div>";
    if (!told || told.fault) return open + "<p>" + escape(told && told.fault ? told.fault : "A moment.") + "</p></section>";
    if (!told.notes.length) return open + "<p>" + (all ? "Nothing was noted in this time." : "Nothing yet. The first look at the dry layer turns its band into a depth.") + "</p></section>";
    const shown = seen.all ? told.notes : told.notes.slice(0, SHOWN_AT_FIRST);
    return open + '<ol class="entries">' + shown.map((note) => entryHtml(note, all)).join("") + "</ol>" +
      (shown.length < told.notes.length ? '<button type="button" class="door" data-all-notes>Show all ' + told.notes.length + "</button>" : "") + "</section>";
  }

  function entryHtml(note, all) {
    const back = note.withdrawn;
    const body = JSON.stringify([back ? "note_put_back" : "note_withdrawn", { id: note.id, version: note.version || 1 }]);
    const earlier = (note.earlier || []).filter((one, n, list) => JSON.stringify(words().parts(one, units(), zone())) + one.text !== JSON.stringify(words().parts(list[n + 1] || note, units(), zone())) + (list[n + 1] || note).text);
    return '<li class="entry' + (back ? " entry-back" : "") + '"><div class="entry-said"><p class="entry-when">' + escape(words().when(note.time_ms, zone())) + (back ? " · <em>withdrawn, counts no more</em>" : "") + "</p><p><b>" + escape(kindWord(note.kind)) + "</b>" +
      (all && note.pot ? ' <a data-in href="' + escape(potPath(note.pot)) + '">' + escape(note.pot) + "</a>" : "") + " " + escape(words().parts(note, units(), zone()).join("; ")) + "</p>" + (note.text ? '<p class="entry-text">' + escape(note.text) + "</p>" : "") + photosHtml(note) +
      (earlier.length ? '<details data-of="' + note.id + '"><summary>Said before</summary>' + earlier.map((one) => "<p>" + escape([words().when(one.time_ms, zone()), words().parts(one, units(), zone()).join("; "), one.text].filter(Boolean).join(" · ")) + "</p>").join("") + "</details>" : "") +
      '</div><div class="entry-doors"><a class="plain-button" data-in href="/note/' + note.id + '" aria-label="Correct the note of ' + escape(words().when(note.time_ms, zone())) + '">Correct</a><button type="button" class="plain-button" data-tap="' + escape(body) + '" aria-label="' + (back ? "Put back" : "Withdraw") + " the note of " + escape(words().when(note.time_ms, zone())) + '">' + (back ? "Put back" : "Withdraw") + "</button></div></li>";
  }

  function photosHtml(note) {
    const photos = ((note.detail || {}).photos || []).filter((name) => /^[0-9a-f]{32}\.jpg$/.test(name));
    if (!photos.length) return "";
    return '<div class="shots">' + photos.map((name, n) => '<a class="shot" href="/photos/' + name + '" target="_blank" rel="noopener"><img loading="lazy" width="104" height="104" src="/photos/' + name + '?small" alt="Photo ' + (n + 1) + " of " + escape(note.pot || "the collection") + '"></a>').join("") + "</div>";
  }

  function sentence(heading, said) {
    return '<div class="logbook-head"><h1>' + escape(heading) + "</h1></div><p>" + escape(said) + '</p><p><a class="door" data-in href="/logbook">All pots</a></p>';
  }

  /* ---- painting ---- */

  function repaint(to_step) {
    const node = seen.node;
    const view = viewOf(seen.path);
    if (seen.depth && seen.depth.pot !== view.pot) seen.depth = null;
    if (seen.kept && seen.kept.pot !== view.pot) seen.kept = null;
    const told = seen.told[view.about];
    if (!seen.base) {
      put(sentence(told ? "No answer" : "A moment", told ? told.refused || told.fault : "Reading the logbook."));
      return;
    }
    if (view.name === "form" || view.name === "correct") { paintForm(view, told); return; }
    put(view.name === "pots" ? potsHtml() : view.name === "kinds" ? '<div class="logbook-head"><h1>One note for many</h1><div class="logbook-doors"><a class="door" data-in href="/logbook">All pots</a></div></div>' + kindsHtml(null) : potHtml(view.pot));
    const step = to_step && node.querySelector("#step");
    if (step) { step.focus({ preventScroll: true }); root.document.getElementById("page").scrollTop = 0; }
  }

  /* The page in parts: only those that changed are drawn anew, so that no tile moves away under a thumb. */
  function put(html) {
    const parts = [].concat(html);
    const node = seen.node;
    seen.form = null;
    if (!seen.parts || seen.parts.length !== parts.length || seen.painted_path !== seen.path) {
      node.innerHTML = parts.map((part) => "<div>" + part + "</div>").join("");
    } else {
      parts.forEach((part, n) => { if (part !== seen.parts[n]) redraw(node.children[n], part); });
    }
    seen.parts = parts;
    seen.painted_path = seen.path;
  }

  function redraw(node, html) {
    const open = Array.from(node.querySelectorAll("details[open]")).map((one) => one.dataset.of);
    const focus = root.document.activeElement;
    const held = focus && node.contains(focus) ? focus.getAttribute("data-tap") : null;
    node.innerHTML = html;
    node.querySelectorAll("details").forEach((one) => { one.open = open.includes(one.dataset.of); });
    const again = held && Array.from(node.querySelectorAll("[data-tap]")).find((one) => one.getAttribute("data-tap") === held);
    if (again) again.focus({ preventScroll: true });
  }

  function paintForm(view, told) {
    if (view.name === "correct") {
      if (!told) { put(sentence("A moment", "Reading the note.")); return; }
      if (told.refused || told.fault) { put(sentence("No such note", told.refused || told.fault)); return; }
      const note = told.notes[0];
      if (seen.form === seen.path) { staleNote(note); return; }
      put(formHtml("Correct: " + kindWord(note.kind), [note.pot, words().when(note.time_ms, zone())].filter(Boolean).join(", ")));
      root.dryline.forms.mount(seen.node.querySelector(".form-place"), correctSpec(note));
      seen.form_version = note.version;
    } else {
      if (!seen.forms.fields[view.kind] || (view.kind === AIR && view.pot)) { put(sentence("No such note", "There is no kind of note called “" + view.kind + "”.")); return; }
      if (view.pot && told && told.refused) { put(sentence("No such pot", told.refused)); return; }
      if (view.pot && !told && !placeOf(view.pot)) { put(sentence("A moment", "Reading the logbook.")); return; }
      if (seen.form === seen.path) return;
      const air = view.kind === AIR && !view.pot;
      put(formHtml(air ? seen.forms.air : kindWord(view.kind), air ? "As a hygrometer shows it" : view.pot || "One note for many pots"));
      root.dryline.forms.mount(seen.node.querySelector(".form-place"), air ? airSpec(view.shelf) : formSpec(view.kind, view.pot === undefined ? null : view.pot));
    }
    seen.parts = null;
    seen.form = seen.path;
  }

  /* Somebody else changed the note that is open here: said at once, and what was typed stays. */
  function staleNote(note) {
    if (note.version === seen.form_version || seen.node.querySelector(".stale")) return;
    const line = root.document.createElement("p");
    line.className = "caution stale";
    line.setAttribute("role", "alert");
    line.innerHTML = "Somebody else has changed this note meanwhile. What you typed stands below; " + '<button type="button" class="plain-button" data-fresh>show it as it stands now</button>';
    seen.node.querySelector(".form-place").before(line);
  }

  function paint(answer, path, section, forms) {
    const node = root.document.getElementById("logbook");
    if (!node || !/^\/(logbook|note)(\/|$)/.test(path || "")) return root.dash_clientside.no_update;
    const fresh = node !== seen.node;
    const moved = path !== seen.path;
    if (fresh) { Object.assign(seen, { node, parts: null, form: null, depth: null, kept: null }); listen(node); }
    if (moved) Object.assign(seen, { path, all: false, form: null });
    seen.forms = forms || seen.forms;
    seen.section = section || seen.section;
    if (answer && answer !== seen.answer) {
      seen.answer = answer;
      const about = viewOf(answer.path).about;
      if (!answer.fault || !seen.told[about]) seen.told[about] = answer;
      if (answer.shelves) { seen.base = answer; change().hear(answer.at_ms); }
    }
    repaint(moved);
    return root.dash_clientside.no_update;
  }

  function listen(node) {
    node.addEventListener("click", (event) => {
      const hit = (name) => event.target.closest("[data-" + name + "]");
      const view = viewOf(seen.path);
      const from = hit("from-pots");
      const there = from && steps(from.getAttribute("href"))[1];
      if (there) root.dryline.undo(there + ".", async () => { root.dryline.go(view.pot ? potPath(view.pot) : "/logbook"); return {}; });
      if (hit("depth")) tapDepth(view.pot, Number(hit("depth").dataset.depth));
      else if (hit("tips")) tapTips(view.pot, Number(hit("tips").dataset.tips));
      else if (hit("once-more")) { seen.kept = null; repaint(true); }
      else if (hit("fill")) fillShelf(hit("fill").dataset.fill);
      else if (hit("all-notes")) { seen.all = true; repaint(); }
      else if (hit("again")) change().again(hit("again").dataset.again);
      else if (hit("forget")) forget(hit("forget").dataset.forget);
      else if (hit("fresh")) { seen.form = null; seen.parts = null; repaint(); }
      else if (hit("span")) {
        seen.span = hit("span").dataset.span === "null" ? null : Number(hit("span").dataset.span);
        root.dash_clientside.set_props("logbook-span", { data: seen.span });
        repaint();
      }
    });
    node.addEventListener("dryline:refused", () => root.dryline.changed()); /* perhaps somebody else was quicker: look again */
    node.addEventListener("change", (event) => {
      if (event.target.matches("[data-shot]")) shot(viewOf(seen.path).pot, event.target);
    });
  }

  function forget(key) {
    const entry = change().kept().find((one) => one.key === key);
    change().forget(key);
    root.dryline.undo("Taken out; it is kept no more.", async () => (entry ? change().back(entry) : {}));
  }

  root.document.addEventListener("dryline:kept", () => { if (seen.node && seen.node.isConnected && viewOf(seen.path).name === "pots") repaint(); });

  root.dash_clientside = root.dash_clientside || {};
  root.dash_clientside.logbook = { paint };
})(window);
