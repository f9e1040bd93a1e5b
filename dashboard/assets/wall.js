/* The wall. Owns every node inside #wall: merges what changed, keeps what did not, paints far view, near view and a pot.
   The first answer came with the page and is painted as soon as this file runs; from then on Dash brings the answers.
   Must not know: how an answer is found. A refresh brings parts ({"pot:window left": …}); the digests of those already
   here go back with the next question, so only changed parts travel, and a restarted server needs no memory. */
(function (root) {
  "use strict";

  const speak = root.dryline.speak;
  const mark = root.dryline.mark;
  const draw = root.dryline.section.draw;
  const escape = speak.escape;
  const known = speak.known;
  const REFRESH_MS = 10000;
  const LOST_AFTER_MS = 2.6 * REFRESH_MS;
  const TURN_PAGE_MS = 8000;
  const BACK_TO_FAR_MS = 180000;
  const DISK_LOW_PCT = 5;
  const AIR_SCALE_KPA = 2.4;
  const TILE = { width: 112, height: 104, best_width: 172, best_height: 165, long_height: 190, tall: 0.8, side: 196, head: 46 };


  const parts = {};
  const digests = {};
  const seen = { heard: 0, node: root.document.getElementById("wall"), live: false, view: null, shape: "", far_page: 0, turned: 0, touched: 0, by_touch: false, path: "/", focus: null };

  /* ---- what is known ---- */

  function part(key) { return parts[key]; }
  function order() { return (part("order") || []).map((row) => ({ shelf: row[0], pots: row[1] })); }
  function state() { return part("state") || {}; }
  function needs() { return part("needs") || []; }
  function units() { return state().units; }
  function isSensors(need) { return speak.OF_SENSORS.includes(need.kind); }
  function callers() { return needs().filter((need) => !isSensors(need)); }
  function needOf(label) { return callers().find((need) => need.pot === label); }

  /* Pots that need a hand, each once, and shelves that do. */
  function called() {
    const once = new Map();
    callers().forEach((need) => {
      const key = need.pot ? "pot:" + need.pot : "shelf:" + need.shelf;
      if (!once.has(key)) once.set(key, need);
    });
    return Array.from(once.values());
  }

  function facts(label) {
    const pot = part("pot:" + label);
    const build = part("build:" + label);
    if (!pot || !build) return null;
    return { build, level_mm: pot.level_mm, dry_layer_mm: pot.dry_layer_mm, tips: pot.tips, rests_on: pot.rests_on, rooting_depth_mm: pot.rooting_depth_mm };
  }

  function cut(label, options) {
    const here = facts(label);
    if (!here) return "";
    return draw(here, Object.assign({ exaggerate: true, id: "cut-" + label.replace(/[^a-zA-Z0-9]/g, "_"), length: (mm) => speak.length(mm, units()) }, options));
  }

  function merge(answer) {
    const changed = new Set();
    (answer.gone || []).forEach((key) => { delete parts[key]; delete digests[key]; changed.add("order"); });
    Object.keys(answer.parts || {}).forEach((key) => {
      if (digests[key] === answer.parts[key][0]) return;
      parts[key] = answer.parts[key][1];
      digests[key] = answer.parts[key][0];
      changed.add(key);
    });
    if (known(answer.at_ms)) parts.at_ms = answer.at_ms;
    parts.fault = answer.fault || null;
    seen.heard = Date.now();
    return changed;
  }

  /* ---- addresses ---- */

  function isOurs(path) { return /^\/(near)?$|^\/(near|pot)\//.test(path); }

  function viewOf(path) {
    const steps = path.split("/").filter(Boolean).map((step) => { try { return decodeURIComponent(step); } catch (broken) { return step; } });
    if (steps[0] === "pot" && steps[1]) return { name: "near", pot: steps[1] };
    if (steps[0] === "near") return { name: "near", shelf: steps[1] };
    return { name: "far" };
  }

  function go(path) { root.dryline.go(path); }

  function potPath(label) { return "/pot/" + encodeURIComponent(label); }
  function shelfPath(label) { return "/near/" + encodeURIComponent(label); }

  /* ---- notices: whatever keeps the wall from being true ---- */

  function isLost() { return seen.heard > 0 && Date.now() - seen.heard > LOST_AFTER_MS; }

  const HOUSE = {
    ingester_stopped: { near: "Nothing is listening to the sensors; readings are not kept. Start the house again on its computer (dryline run).", far: "not listening" },
    store_gone: { near: "A file of the store was moved or deleted; nothing more goes into it. Put it back, or restore a backup and start dryline again.", far: "store gone" },
    clock_wrong: { near: "The clock of the glasshouse computer is wrong: what is measured now has no true time. Set it, or connect it to the network.", far: "clock wrong" },
  };

  function notices() {
    const found = [];
    if (isLost()) found.push({ kind: "lost", near: "No connection to the glasshouse computer since " + speak.clock(seen.heard, state().time_zone) + ". Everything below is from then.", far: "no connection" });
    if (parts.fault) found.push({ kind: "fault", near: parts.fault + " What stands below is from before.", far: "no answer" });
    (state().house || []).forEach((one) => {
      const words = HOUSE[one.kind];
      found.push({ kind: "house", near: words ? words.near : one.says, far: words ? words.far : "house trouble" });
    });
    if (known(state().disk_free_pct) && state().disk_free_pct < DISK_LOW_PCT) {
      found.push({ kind: "disk", near: "The disk is nearly full: " + Math.round(state().disk_free_pct) + " % free. New readings will be lost when it is full; make room now.", far: "disk full" });
    }
    return found;
  }

  function noticeHtml() {
    return notices().map((notice) => '<div class="notice notice-' + notice.kind + '" role="status"><span>' + escape(notice.near) + "</span></div>").join("");
  }

  /* ---- the strip ---- */

  function needWord(need, distance) { return (speak.NEEDS[need.kind] || speak.NEEDS.look)[distance]; }

  /* Pots by the day their water could end first. */
  function soonest() {
    return order().flatMap((row) => row.pots)
      .map((label) => ({ label, left: (part("pot:" + label) || {}).days_left }))
      .filter((pot) => pot.left && known(pot.left.p10))
      .sort((a, b) => a.left.p10 - b.left.p10);
  }

  function daysWords(left) {
    const said = speak.days(left);
    return said + (said === "1" ? " day" : " days");
  }

  function stripHtml() {
    const wanting = called();
    const silent = part("silent") || [];
    const now = parts.at_ms;
    const zone = state().time_zone;
    const tags = wanting.map((need) => {
      const href = need.pot ? potPath(need.pot) : shelfPath(need.shelf || "");
      return '<a class="tag" data-in href="' + escape(href) + '" title="' + escape(need.says || "") + '">' + mark(need.kind) +
        '<span><span class="tag-name">' + escape(need.pot || need.shelf) + '</span><span class="tag-what">' + escape(needWord(need, "near")) + "</span></span></a>";
    }).join("");
    const due = soonest()[0];
    const left = wanting.length
      ? '<div class="strip-count"><b>' + wanting.length + "</b><span>" + (wanting.length === 1 ? "needs" : "need") + "<br>you</span></div>" + '<div class="strip-tags">' + tags + "</div>"
      : '<div class="strip-count strip-calm">No pot needs you</div><div class="strip-tags"><span class="strip-next">' + (due ? "next: " + escape(due.label) + ", in " + daysWords(due.left) : "") + "</span></div>";
    const quiet = silent.length
      ? '<div class="strip-silent">' + mark("sensor_silent") + "<span>" + (silent.length === 1 && root.innerWidth > 1100 ? escape(silent[0].label) + " silent since " + speak.since(silent[0].since_ms, now, zone) : silent.length + '<span class="said-only"> sensor' + (silent.length === 1 ? "" : "s") + "</span> silent") + "</span></div>"
      : "";
    return '<div class="strip' + (wanting.length ? " strip-needy" : "") + '" role="region" aria-label="Needs you">' + left + quiet +
      '<a class="strip-far" data-in href="/"><b>' + speak.clock(now, zone) + "</b><span>far view</span></a></div>";
  }

  /* Tags that do not fit are counted, never cut through. */
  function trimTags(node) {
    const bed = node.querySelector(".strip-tags");
    if (!bed || root.innerWidth <= 620) return;
    const tags = Array.from(bed.querySelectorAll(".tag"));
    let hidden = 0;
    for (let i = tags.length - 1; i > 0 && bed.scrollWidth > bed.clientWidth; i -= 1) {
      tags[i].remove();
      hidden += 1;
      const more = bed.querySelector(".tag-more");
      if (more) more.remove();
      bed.insertAdjacentHTML("beforeend", '<a class="tag tag-more" data-in href="/">+' + hidden + " more</a>");
    }
  }

  /* ---- near view ---- */

  function airScale(shelf) {
    const place = (kpa) => Math.max(0, Math.min(100, (kpa / AIR_SCALE_KPA) * 100)).toFixed(0);
    return '<div class="air-scale" aria-hidden="true">' +
      (known(shelf.vpd_day_kpa) ? '<i class="air-day" style="left:' + place(shelf.vpd_day_kpa) + '%"></i>' : "") +
      (known(shelf.vpd_kpa) ? '<i class="air-now" style="left:' + place(shelf.vpd_kpa) + '%"></i>' : "") + "</div>";
  }

  function airFlag(shelf) {
    if (shelf.spot_check) return '<span class="shelf-flag">' + (shelf.air_state === "borrowed" ? "air of another shelf, " : "") + "spot check " + (known(shelf.seen_ms) ? speak.age(parts.at_ms - shelf.seen_ms) + " ago" : "") + "</span>";
    if (shelf.sensor_state === "silent") return '<span class="shelf-flag shelf-flag-silent">silent' + (known(shelf.seen_ms) ? " since " + speak.since(shelf.seen_ms, parts.at_ms, state().time_zone) : "") + "</span>";
    if (shelf.sensor_state === "failed") return '<span class="shelf-flag shelf-flag-failed">sensor failed</span>';
    if (shelf.sensor_state === "stale") return '<span class="shelf-flag shelf-flag-stale">' + (known(shelf.seen_ms) ? speak.age(parts.at_ms - shelf.seen_ms) + " old" : "old value") + "</span>";
    if (shelf.air_state === "borrowed") return '<span class="shelf-flag">air of another shelf</span>';
    return "";
  }

  function airHtml(label) {
    const shelf = part("shelf:" + label) || {};
    const wet = shelf.air_state === "wet_unmeasured";
    const dry = wet ? "<b>wet</b>, too moist to measure" : "dry air <b>" + speak.dryAir(shelf.vpd_kpa) + "</b> kPa " + (shelf.spot_check ? "then" : "now, <b>" + speak.dryAir(shelf.vpd_day_kpa) + "</b> over a day");
    const humid = known(shelf.relative_humidity_pct) ? Math.round(shelf.relative_humidity_pct) + " %" : speak.NONE;
    return "<h2>" + escape(label) + '</h2><p class="shelf-now">' + speak.temperature(shelf.temperature_c, units()) + " · " + humid + "</p>" +
      airScale(shelf) + '<p class="shelf-dry">' + dry + "</p>" + airFlag(shelf);
  }

  /* A number and its unit are not parted by the end of a line. */
  function whole(words) { return '<span class="whole">' + words + "</span>"; }

  function levelHtml(pot) {
    if (pot.sensor_state === "silent") return '<span class="pot-fact pot-silent">silent</span>';
    if (pot.sensor_state === "failed") return '<span class="pot-fact pot-silent">sensor failed</span>';
    if (!known(pot.level_mm)) return "";
    if (pot.sensor_state === "stale") return '<span class="pot-fact pot-stale">' + whole(speak.length(pot.level_mm, units())) + ", " + (known(pot.seen_ms) ? whole(speak.age(parts.at_ms - pot.seen_ms)) : "old") + "</span>";
    return '<span class="pot-fact">' + speak.length(pot.level_mm, units()) + "</span>";
  }

  function potHtml(label) {
    const pot = part("pot:" + label) || {};
    const need = needOf(label);
    const use = pot.water_use_ml_per_day;
    const said = speak.days(pot.days_left);
    return '<div class="pot-in"><div class="pot-name">' + (need ? mark(need.kind) : "") + "<span>" + escape(label) + "</span></div>" +
      '<div class="pot-cut">' + cut(label, { width: 120, height: 140 }) + "</div>" +
      '<div class="pot-facts"><span class="pot-days' + (said === speak.NONE ? " pot-none" : "") + '">' + said + "</span>" +
      (said === speak.NONE ? "" : '<span class="pot-fact">' + (said === "1" ? "day" : "days") + '<span class="pot-left"> left</span></span>') +
      levelHtml(pot) + (use ? '<span class="pot-fact">' + speak.rate(use.value, units()) + "</span>" : "") + "</div></div>";
  }

  function potClass(label) {
    const need = needOf(label);
    return "pot" + (need ? " pot-needy pot-" + need.kind : "");
  }

  /* Columns that give every tile the most room; null when some tile would be too small for a thumb or an eye. */
  function arrange(rows, width, height, sideways) {
    let best = null;
    const wide = sideways ? width - TILE.side : width;
    for (let columns = 2; columns <= 12; columns += 1) {
      const lines = rows.map((row) => Math.max(1, Math.ceil(row.pots.length / columns)));
      const all = lines.reduce((sum, n) => sum + n, 0);
      const tile_width = wide / columns;
      const tile_height = (height - rows.length * (7 + (sideways ? 0 : TILE.head))) / all;
      if (tile_width < TILE.width || tile_height < TILE.height) continue;
      const room = Math.min(tile_width / TILE.best_width, tile_height / TILE.best_height);
      if (!best || room > best.room) best = { room, columns, lines, tile_height };
    }
    return best;
  }

  /* Room for the note under the shelves, which takes more lines the narrower they are. */
  function noteHeight(width) { return width > 1150 ? 22 : width > 620 ? 38 : 64; }

  function nearHtml(view, width, height) {
    const rows = order();
    const sideways = width >= height && width > 620;
    let shown = rows;
    let tabs = "";
    let plan = width > 620 ? arrange(rows, width, height, sideways) : null;
    const asked = rows.find((row) => row.shelf === view.shelf);
    if (!plan || (asked && rows.length > 1 && view.shelf)) {
      const needy = rows.find((row) => row.pots.some((label) => needOf(label)));
      const open = asked || rows.find((row) => row.pots.includes(view.pot)) || needy || rows[0];
      if (!plan) {
        shown = [open];
        tabs = '<nav class="shelf-tabs" aria-label="Shelves">' + rows.map((row) => {
          const wanting = row.pots.filter((label) => needOf(label)).length;
          return '<a data-in href="' + escape(shelfPath(row.shelf)) + '"' + (row === open ? ' aria-current="true"' : "") + ">" + escape(row.shelf) + (wanting ? "<b>" + wanting + '<span class="said-only"> need you</span></b>' : "") + "</a>";
        }).join("") + "</nav>";
        plan = width > 620 ? arrange(shown, width, height - 90, sideways) : null;
      }
    }
    const columns = plan ? plan.columns : Math.max(2, Math.floor((width - (sideways ? TILE.side : 0)) / (width > 620 ? 150 : 172)));
    /* Asked here once and not of every tile by the style sheet, which lays each out twice for the answer. */
    const tile_width = (width - (sideways ? TILE.side : 0)) / columns;
    const tall = tile_width - 8 <= TILE.tall * ((plan ? plan.tile_height : TILE.long_height) - 4);
    const shelves = shown.map((row, i) => {
      const lines = plan ? plan.lines[i] : Math.ceil(row.pots.length / columns);
      const template = sideways ? "grid-template-columns:" + TILE.side + "px minmax(0,1fr)" : "grid-template-rows:" + (width > 620 ? TILE.head + "px" : "auto") + " minmax(0,1fr)";
      const grow = plan ? "flex:" + (lines * plan.tile_height + (sideways ? 0 : TILE.head)).toFixed(1) + " 1 0;" : "";
      const grid = "grid-template-columns:repeat(" + columns + ",minmax(0,1fr));grid-auto-rows:" + (plan ? "minmax(0,1fr)" : TILE.long_height + "px");
      return '<section class="shelf' + (sideways ? "" : " shelf-headed") + '" style="' + grow + template + '" aria-label="' + escape(row.shelf) + '"><div class="shelf-air" data-shelf="' + escape(row.shelf) + '">' + airHtml(row.shelf) + '</div><div class="pots' + (tall ? " pots-tall" : "") + '" style="' + grid + '">' +
        row.pots.map((label) => '<a class="' + potClass(label) + '" data-in data-pot="' + escape(label) + '" href="' + escape(potPath(label)) + '">' + potHtml(label) + "</a>").join("") + "</div></section>";
    }).join("");
    return tabs + '<div class="' + (plan ? "shelves" : "shelves-long") + '">' + shelves + "</div>";
  }

  /* ---- far view ---- */

  function farLines() {
    const lines = [];
    const by_shelf = new Map();
    called().forEach((need) => {
      const shelf = need.shelf || (order().find((row) => row.pots.includes(need.pot)) || {}).shelf || "";
      if (!by_shelf.has(shelf)) by_shelf.set(shelf, []);
      by_shelf.get(shelf).push(need);
    });
    by_shelf.forEach((list, shelf) => list.forEach((need) => lines.push({ shelf, need })));
    return lines;
  }

  /* Pages of at most so many lines; a shelf's name stands over its pots and again after a turn. */
  function farPages(room) {
    const pages = [[]];
    let open = null;
    farLines().forEach((line) => {
      let page = pages[pages.length - 1];
      const cost = line.shelf === open ? 1 : 2;
      if (page.length + cost > room && page.length) { page = []; pages.push(page); open = null; }
      if (line.shelf !== open) { page.push({ shelf: line.shelf }); open = line.shelf; }
      page.push(line);
    });
    return pages;
  }

  function farHtml(width, height) {
    const upright = height > width;
    const size = Math.min(116, 0.145 * root.innerWidth);
    const quiet = (part("silent") || []).length;
    const told = notices();
    const lines = (quiet ? 1 : 0) + told.length;
    const below = (upright ? lines : Math.min(1, lines)) * (size + 26);
    const wanting = called();
    const foot = lines
      ? '<div class="far-foot">' + (quiet ? '<div class="far-line far-silent">' + mark("sensor_silent") + '<span class="far-text"><span class="far-fit">' + speak.count(quiet, "sensor") + " silent</span></span></div>" : "") +
        told.map((one) => '<div class="far-line far-notice far-notice-' + one.kind + '" role="status"><span class="far-text"><span class="far-fit">' + escape(one.far) + "</span></span></div>").join("") + "</div>"
      : "";
    if (!wanting.length) {
      const due = soonest();
      const pots = due.slice(0, upright ? 15 : 6);
      return '<a class="far" data-in href="/near" aria-label="No pot needs you; open the near view"><div class="far-well"><div><div class="far-line"><span class="far-fit">no pot needs you</span></div>' +
        (pots.length ? '<div class="far-line far-next"><span class="far-fit">next ' + escape(pots[0].label) + '</span></div><div class="far-line far-next"><span class="far-fit">in ' + daysWords(pots[0].left) + "</span></div>" : "") +
        '</div><div class="far-row">' + pots.map((pot) => "<span>" + cut(pot.label, { width: 120, height: 150 }) + "</span>").join("") + "</div></div>" + foot + "</a>";
    }
    const head = upright ? Math.min(230, 0.28 * root.innerWidth) * 0.86 + 30 : 0;
    const line = size * 0.945;
    const all = farPages(Math.max(2, Math.floor((height - below - head - 16) / line)));
    const pages = all.length > 1 ? farPages(Math.max(2, Math.floor((height - below - head - 40) / line))) : all;
    seen.pages = pages.length;
    seen.far_page %= pages.length;
    const page = pages[seen.far_page];
    const rows = page.map((line) => {
      if (!line.need) return '<li class="far-line far-shelf"><span class="far-fit">' + escape(line.shelf) + "</span></li>";
      const need = line.need;
      const picture = need.pot ? cut(need.pot, { width: 84, height: 96 }) : mark(need.kind);
      return '<li class="far-line far-pot"><span class="far-cut">' + picture + '</span><span class="far-text"><span class="far-fit">' + escape(need.pot || "the shelf") + ' <span class="far-what">' + escape(needWord(need, "far")) + "</span></span></span></li>";
    }).join("");
    const dots = pages.length > 1 ? '<li class="far-pages" aria-label="part ' + (seen.far_page + 1) + " of " + pages.length + '">' + pages.map((_, i) => "<i" + (i === seen.far_page ? ' class="on"' : "") + "></i>").join("") + "</li>" : "";
    return '<a class="far" data-in href="/near" aria-label="' + wanting.length + ' need you; open the near view"><div class="far-count' + (wanting.length > 9 ? " far-count-many" : "") + '"><b>' + wanting.length + '</b><span class="far-line">' + (wanting.length === 1 ? "needs" : "need") + '</span><span class="far-line">you</span></div><ul class="far-list">' + rows + dots + "</ul>" + foot + "</a>";
  }

  /* A long name is narrowed, never lowered: the height of its letters is what carries over three metres. */
  function fit(node) {
    node.querySelectorAll(".far-fit").forEach((text) => {
      text.style.transform = "";
      const room = text.parentElement.clientWidth - (text.offsetLeft - text.parentElement.offsetLeft);
      if (text.scrollWidth > room && room > 0) text.style.transform = "scaleX(" + Math.max(0.5, room / text.scrollWidth).toFixed(3) + ")";
    });
  }

  /* ---- one pot, opened ---- */

  function span(range, write) { return range && known(range.p10) ? write(range.p10) + " to " + write(range.p90) : ""; }

  function cardHtml(label) {
    const pot = part("pot:" + label);
    if (!pot) {
      return '<div class="card-back"><div class="card" role="dialog" aria-modal="true" aria-label="Not found"><div><h2>No pot is called “' + escape(label) + '”</h2><p class="card-plant">It may have been renamed.</p></div><div class="card-doors"><a class="door door-first" data-in data-close href="/near">All pots</a></div></div></div>';
    }
    const need = needOf(label);
    const u = units();
    const use = pot.water_use_ml_per_day;
    const rows = [];
    const dry = pot.dry_layer_mm;
    if (dry && pot.rests_on !== "guessed") rows.push(["dry line", speak.length(dry.p50, u) + " deep", "could be " + span(dry, (mm) => speak.length(mm, u)) + (known(pot.rooting_depth_mm) ? "; new tips reach " + speak.length(pot.rooting_depth_mm, u) : "")]);
    else if (dry) rows.push(["dry line", "guessed", "from how it is built; look, then its depth is told"]);
    rows.push(["water left", pot.days_left ? daysWords(pot.days_left) : "not known", known(pot.ml_left) ? speak.volume(pot.ml_left, u) + " in the reservoir" : ""]);
    const noted = pot.level_noted ? "was " + speak.length(pot.level_noted.level_mm, u) + " on " + speak.day(pot.level_noted.time_ms, state().time_zone) : "";
    rows.push(["level", known(pot.level_mm) ? speak.length(pot.level_mm, u) : "not known", pot.sensor_state === "silent" ? "its sensor is silent" : pot.sensor_state === "failed" ? "its sensor has failed" : pot.sensor_state === "stale" && known(pot.seen_ms) ? speak.age(parts.at_ms - pot.seen_ms) + " old" : noted]);
    rows.push(["water use", use ? speak.rate(use.value, u) : "not known", use ? "last seven days; could be " + speak.rate(use.low, u).replace(/ .*/, "") + " to " + speak.rate(use.high, u).replace(/ .*/, "") : ""]);
    const tips = speak.tips(pot.tips);
    if (tips) rows.push(["root tips", tips, "as last noted"]);
    const others = (seen.node.getAttribute("data-pages") || "").split(" ");
    const doors = (others.includes("logbook") ? '<a class="door door-first" data-in href="/logbook/' + encodeURIComponent(label) + '">Inspect</a>' : "") +
      (others.includes("story") ? '<a class="door" data-in href="/story/' + encodeURIComponent(label) + '">Story</a>' : "") +
      (others.includes("guide") ? '<a class="door" data-in href="/guide/' + encodeURIComponent(label) + '">Advice</a>' : "");
    return '<div class="card-back"><div class="card" role="dialog" aria-modal="true" aria-labelledby="card-name"><div class="card-cut">' + cut(label, { form: "large", exaggerate: false, width: 470, height: null, id: "card-cut" }) + "</div><div>" +
      '<h2 id="card-name">' + escape(label) + '</h2><p class="card-plant">' + escape(pot.plant || "") + "</p>" +
      '<p class="card-says' + (need ? " card-needy" : "") + '">' + (need ? mark(need.kind) : "") + "<span>" + escape((need && need.says) || pot.says || "") + "</span></p>" +
      "<dl>" + rows.map((row) => "<dt>" + row[0] + "</dt><dd>" + escape(row[1]) + (row[2] ? "<small>" + escape(row[2]) + "</small>" : "") + "</dd>").join("") + "</dl>" +
      '<p class="card-rests">' + mark(pot.rests_on) + "<span>" + escape(speak.RESTS[pot.rests_on] || "") + "</span></p>" +
      '<div class="card-doors">' + doors + '<a class="door" data-in data-close href="/near">All pots</a></div></div></div></div>';
  }

  /* ---- painting ---- */

  function repaintAll() {
    const node = seen.node;
    const view = viewOf(seen.path);
    node.classList.toggle("wall-lost", isLost());
    seen.view = view.name + (view.pot ? ":" + view.pot : "") + (view.shelf ? "/" + view.shelf : "");
    if (!part("order")) {
      node.innerHTML = '<div class="plain" role="status"><h1>' + (parts.fault ? "No answer" : "Reading the shelves") + "</h1><p>" + escape(parts.fault || "A moment.") + "</p></div>";
      return;
    }
    if (!order().some((row) => row.pots.length)) {
      const first = order().length ? ["No pots yet", "Enter the first pot, and it will stand here on its shelf."] : ["No shelves yet", "Enter the first shelf and the first pot, and they will stand here."];
      node.innerHTML = '<div class="plain"><h1>' + first[0] + "</h1><p>" + first[1] + '</p><p class="doors"><a class="door door-first" data-in href="/start">Begin</a></p></div>';
      return;
    }
    if (view.name === "far") {
      node.innerHTML = '<h1 class="said-only">Wall, far view</h1><div class="stage"></div>';
      const stage = node.querySelector(".stage");
      stage.innerHTML = farHtml(stage.clientWidth, stage.clientHeight);
      fit(stage);
      return;
    }
    node.innerHTML = '<h1 class="said-only">Wall</h1><div class="strip-here">' + stripHtml() + '</div><div class="notices-here">' + noticeHtml() + '</div><div class="stage"></div>';
    trimTags(node);
    const stage = node.querySelector(".stage");
    const note = noteHeight(stage.clientWidth);
    stage.style.setProperty("--note", note + "px");
    stage.innerHTML = nearHtml(view, stage.clientWidth, stage.clientHeight - note) + '<p class="stage-note">Large figure: days of water left; below it the water level and what is used. The upper ' + speak.length(40, units()) + " are drawn 2.7 times as tall as the rest. Dotted band: guessed from how the pot is built.</p>";
    stage.classList.add("stage-noted");
    if (view.pot) {
      node.insertAdjacentHTML("beforeend", cardHtml(view.pot));
      const close = node.querySelector("[data-close]");
      if (close) close.focus({ preventScroll: true });
    } else if (seen.focus) {
      const back = Array.from(node.querySelectorAll("[data-pot]")).find((tile) => tile.getAttribute("data-pot") === seen.focus);
      if (back) back.focus({ preventScroll: true });
      seen.focus = null;
    }
  }

  function repaintChanged(changed) {
    const node = seen.node;
    const view = viewOf(seen.path);
    const laid_out = ["order", "needs", "state"].some((key) => changed.has(key));
    if (view.name === "far" || laid_out || view.pot) {
      if (view.name !== "far" && !laid_out && view.pot && !changed.has("pot:" + view.pot)) return;
      repaintAll();
      return;
    }
    node.querySelectorAll("[data-pot]").forEach((tile) => {
      const label = tile.getAttribute("data-pot");
      if (!changed.has("pot:" + label) && !changed.has("build:" + label)) return;
      tile.className = potClass(label);
      tile.innerHTML = potHtml(label);
    });
    node.querySelectorAll("[data-shelf]").forEach((air) => {
      const label = air.getAttribute("data-shelf");
      if (changed.has("shelf:" + label)) air.innerHTML = airHtml(label);
    });
    if (changed.has("silent")) refreshStrip();
  }

  function refreshStrip() {
    const strip = seen.node.querySelector(".strip-here");
    if (!strip) return;
    strip.innerHTML = stripHtml();
    trimTags(seen.node);
  }

  function showClock() {
    const clock = seen.node.querySelector(".strip-far b");
    if (clock && parts.at_ms) clock.textContent = speak.clock(parts.at_ms, state().time_zone);
  }

  /* Paints what an answer changed, and all when the address, the room or the state of things changed. */
  function paint(answer, path) {
    const node = seen.node;
    const fresh = node.hidden || !node.firstChild;
    const moved = path !== seen.path;
    node.hidden = false;
    if (fresh || moved) seen.turned = Date.now();
    if (moved && viewOf(seen.path).pot && !viewOf(path).pot) seen.focus = viewOf(seen.path).pot;
    seen.path = path;
    const was = notices().map((notice) => notice.kind + notice.near).join() + (parts.fault || "");
    const news = answer && answer !== seen.answer ? merge(answer) : new Set();
    seen.answer = answer || seen.answer;
    const shape = node.clientWidth + "x" + node.clientHeight;
    const now = notices().map((notice) => notice.kind + notice.near).join() + (parts.fault || "");
    if (fresh || moved || shape !== seen.shape || was !== now || node.classList.contains("wall-lost") !== isLost()) repaintAll();
    else if (news.size) repaintChanged(news);
    seen.shape = shape;
    showClock();
  }

  /* Dash calls this with each answer and each change of address; it hands back the digests for the next question. */
  function paintAnswer(answer, path) {
    if (!isOurs(path || "/")) return root.dash_clientside.no_update;
    paint(answer, path || "/");
    seen.live = true;
    seen.node.setAttribute("data-live", "");
    return Object.assign({}, digests);
  }

  /* Another page opens: what is shown here would be old when the wall is opened again. */
  function leave() {
    seen.node.hidden = true;
    seen.node.replaceChildren();
    seen.node.removeAttribute("data-live");
  }

  function listen(node) {
    node.addEventListener("click", (event) => {
      if (event.target.classList.contains("card-back")) go("/near");
    });
    node.addEventListener("pointerdown", (event) => { seen.touched = Date.now(); seen.by_touch = event.pointerType === "touch"; });
    new ResizeObserver(() => {
      if (!node.hidden && node.clientWidth + "x" + node.clientHeight !== seen.shape) {
        seen.shape = node.clientWidth + "x" + node.clientHeight;
        repaintAll();
      }
    }).observe(node);
  }

  /* Once a second: is the line still open, is it time to turn the page, has the hand gone away? */
  root.setInterval(() => {
    if (seen.node.hidden) return;
    if (seen.node.classList.contains("wall-lost") !== isLost()) repaintAll();
    const view = viewOf(seen.path);
    if (view.name === "far" && seen.pages > 1 && Date.now() - seen.turned > TURN_PAGE_MS) {
      seen.turned = Date.now();
      seen.far_page = (seen.far_page + 1) % seen.pages;
      repaintAll();
    }
    if (view.name !== "far" && seen.by_touch && Date.now() - seen.touched > BACK_TO_FAR_MS) { seen.by_touch = false; go("/"); }
  }, 1000);

  root.document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && !seen.node.hidden && viewOf(seen.path).pot) go("/near");
  });

  /* Until Dash listens to the address, a tap on a tile or the way back is followed from here. */
  function follow() { if (!seen.live && !seen.node.hidden && isOurs(root.location.pathname)) paint(null, root.location.pathname); }
  root.addEventListener("popstate", follow);
  root.addEventListener("_dashprivate_pushstate", follow);

  listen(seen.node);
  const first = root.document.getElementById("wall-first");
  if (!seen.node.hidden) paint(first && JSON.parse(first.textContent), root.location.pathname);

  root.dryline = Object.assign(root.dryline || {}, { wall: { leave } });
  root.dash_clientside = root.dash_clientside || {};
  root.dash_clientside.wall = { paint: paintAnswer };
})(window);
