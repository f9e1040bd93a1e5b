/* The guide's map: number of holes (or how the air moves) across, dry air upwards; the ground below an option's line stays moist enough, the
   ground above it becomes too dry. On it every shelf as a shape over its seasons, and the notes as points by what was seen.

   Owns: how the map looks and what it says in words. Must not know: where its numbers come from, what a page is.
   view(map, across) -> the map with "holes" or "air" across, which all below are asked of; draw(map, options) -> SVG text; says(map, options) -> [{shelf, says}]; layers(map, options) -> the options' words.
   options: layer (words of the option whose ground is shown), pot or shelf (whose lines; neither: the middling pot of all), width, height,
   beside (words of the buttons that stand beside the map from top to bottom, or null).
   An option whose line is not known at a place across never becomes too dry there: its line leaves the map at the top. */
(function (root) {
  "use strict";

  const HEAD = 14;
  const FOOT = 52;
  const LEFT = 58;
  const LEAST_KPA = 1.2;
  const STEP_KPA = 0.5;
  const POINT = 4.4;
  const LEAD = 30; /* between the ends of the lines and the buttons beside the map */
  const DASHES = ["", "9 5", "2 4", "12 4 2 4", "5 3"];
  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

  const px = (value) => String(Math.round(value * 10) / 10);
  const known = (value) => typeof value === "number" && isFinite(value);

  /* The map with one of its two axes across: every pot, shelf and note has its place `holes` on it. Shelves in the same
     movement of air stand side by side; a pot is judged at the word of its shelf. */
  function view(map, across) {
    if (across !== "air" || !map.movements) {
      return Object.assign({}, map, { ticks: map.holes, axis: "holes in the wall of the pot", half: 0.35, step: 0.16, pad: 0.04, least: "without holes" });
    }
    const word = (name) => map.movements.indexOf((map.shelves.find((one) => one.shelf === name) || {}).air);
    const place = (name) => {
      const here = word(name);
      const alike = map.shelves.filter((one) => map.movements.indexOf(one.air) === here);
      return here < 0 ? null : here + (alike.findIndex((one) => one.shelf === name) - (alike.length - 1) / 2) * Math.min(0.3, 0.86 / alike.length);
    };
    return Object.assign({}, map, {
      holes: map.movements.map((_, i) => i), ticks: map.movements, axis: "how the air moves on the shelf", half: 0.11, step: 0.026, pad: 0.24, least: "in still air",
      shelves: map.shelves.filter((shelf) => word(shelf.shelf) >= 0).map((shelf) => Object.assign({}, shelf, { holes_least: place(shelf.shelf), holes_most: place(shelf.shelf) })),
      notes: map.notes.map((note) => Object.assign({}, note, { holes: note.air === map.movements[word(note.shelf)] ? place(note.shelf) : map.movements.includes(note.air) ? map.movements.indexOf(note.air) : null })),
      limits: map.limits.map((pot) => Object.assign({}, pot, { options: pot.options_by_movement, holes: word(pot.shelf) < 0 ? null : word(pot.shelf), place: place(pot.shelf) })),
      typical: { options: map.typical.options_by_movement },
    });
  }

  function ownOf(map, pot) { return (map.limits || []).find((one) => one.pot === pot); }
  function potsOn(map, shelf) { return (map.limits || []).filter((one) => one.shelf === shelf); }

  function median(values) {
    const sorted = values.map((value) => (known(value) ? value : Infinity)).sort((a, b) => a - b);
    const middle = sorted[Math.floor((sorted.length - 1) / 2)];
    return isFinite(middle) ? middle : null;
  }

  /* The lines of a pot, of the middling pot of a shelf, or of the middling pot of all. */
  function limitsOf(map, options) {
    const own = ownOf(map, options.pot);
    const pots = options.shelf ? potsOn(map, options.shelf) : [];
    if (own || !pots.length) return (own || map.typical || { options: [] }).options;
    const words = Array.from(new Set(pots.flatMap((pot) => pot.options.map((option) => option.change))));
    const middle = (change, key) => map.holes.map((count, i) => median(pots.map((pot) => pot.options.find((option) => option.change === change)).filter(Boolean).map((option) => option[key][i])));
    return words.map((change) => ({ change, p10_kpa: middle(change, "p10_kpa"), p50_kpa: middle(change, "p50_kpa"), p90_kpa: middle(change, "p90_kpa") }));
  }

  function layers(map, options) { return limitsOf(map, options).map((option) => option.change); }

  function latest(shelf) { return shelf.seasons[0] || null; }

  /* The least and the greatest dryness of all seasons of a shelf. */
  function span(shelf) {
    const low = shelf.seasons.map((one) => one.p10_kpa).filter(known);
    const high = shelf.seasons.map((one) => one.p90_kpa).filter(known);
    return low.length && high.length ? { low: Math.min.apply(null, low), high: Math.max.apply(null, high) } : null;
  }

  function seasonName(name) {
    const found = /^(\d{4})-(\d\d)$/.exec(name);
    return found ? MONTHS[Number(found[2]) - 1] : name;
  }

  /* ---- scales ---- */

  function scales(map, options) {
    const holes = map.holes.length ? map.holes : [0, 1];
    const most = Math.max(1, holes[holes.length - 1]);
    const tops = [LEAST_KPA];
    map.shelves.forEach((shelf) => {
      const all = span(shelf);
      if (all) tops.push(all.high);
      if (shelf.driest_month) tops.push(shelf.driest_month.vpd_kpa);
    });
    map.notes.forEach((note) => { if (known(note.vpd_kpa)) tops.push(note.vpd_kpa); });
    const top = Math.ceil((Math.max.apply(null, tops) + 0.1) / STEP_KPA) * STEP_KPA;
    const right = options.beside ? LEAD : 12;
    const wide = options.width - LEFT - right;
    const tall = options.height - HEAD - FOOT;
    const pad = most * map.pad;
    return {
      holes, ticks: map.ticks, axis: map.axis, half: map.half, step: map.step, most, top, right,
      X: (count) => LEFT + ((count + pad) / (most + 2 * pad)) * wide,
      Y: (kpa) => HEAD + (1 - Math.min(Math.max(kpa, 0), top * 1.02) / top) * tall,
      left_x: LEFT, right_x: LEFT + wide, top_y: HEAD, floor_y: HEAD + tall,
    };
  }

  /* A line over the numbers of holes, from edge to edge; what is not known lies above the map. */
  function along(at, heights) {
    const points = at.holes.map((count, i) => [at.X(count), at.Y(known(heights[i]) ? heights[i] : at.top * 1.02)]);
    return [[at.left_x, points[0][1]]].concat(points, [[at.right_x, points[points.length - 1][1]]]);
  }

  function path(points) { return "M" + points.map((point) => px(point[0]) + " " + px(point[1])).join("L"); }

  /* ---- parts ---- */

  function ground(at, option) {
    if (!option) return "";
    const low = along(at, option.p10_kpa);
    const high = along(at, option.p90_kpa);
    const corner = (y) => "L" + px(at.right_x) + " " + px(y) + "L" + px(at.left_x) + " " + px(y) + "Z";
    return '<path class="map-dry" d="' + path(high) + corner(at.top_y - 2) + '"/>' +
      '<path class="map-moist" d="' + path(low) + corner(at.floor_y) + '"/>' +
      '<path class="map-between" d="' + path(low) + "L" + high.slice().reverse().map((p) => px(p[0]) + " " + px(p[1])).join("L") + 'Z"/>';
  }

  function axes(at, options) {
    let drawn = "";
    for (let kpa = 0; kpa <= at.top + 0.01; kpa += STEP_KPA) {
      drawn += '<path class="map-grid" d="M' + px(at.left_x) + " " + px(at.Y(kpa)) + "H" + px(at.right_x) + '"/>' +
        '<text class="map-tick" text-anchor="end" x="' + px(at.left_x - 8) + '" y="' + px(at.Y(kpa) + 4) + '">' + kpa.toFixed(1) + "</text>";
    }
    const room = (at.right_x - at.left_x) / at.holes.length;
    const every = Math.max(1, Math.ceil(30 / room));
    at.holes.forEach((count, i) => {
      if (i % every) return;
      drawn += '<path class="map-notch" d="M' + px(at.X(count)) + " " + px(at.floor_y) + 'v6"/>' +
        '<text class="map-tick" text-anchor="middle" x="' + px(at.X(count)) + '" y="' + px(at.floor_y + 21) + '">' + at.ticks[i] + "</text>";
    });
    const middle = (at.top_y + at.floor_y) / 2;
    return drawn + '<text class="map-axis" text-anchor="middle" x="' + px((at.left_x + at.right_x) / 2) + '" y="' + px(at.floor_y + 43) + '">' + at.axis + "</text>" +
      '<text class="map-axis" text-anchor="middle" transform="translate(14 ' + px(middle) + ') rotate(-90)">dry air, kPa</text>' +
      '<path class="map-floor" d="M' + px(at.left_x) + " " + px(at.floor_y) + "H" + px(at.right_x) + '"/>';
  }

  /* Where a line leaves the map at the right: the buttons beside it stand in that order, from the top. */
  function endOf(at, option) { const points = along(at, option.p50_kpa); return points[points.length - 1][1]; }

  function order(map, options) {
    const at = scales(map, options);
    return limitsOf(map, options).map((option, i) => ({ change: option.change, y: endOf(at, option), i })).sort((a, b) => a.y - b.y || b.i - a.i).map((one) => one.change);
  }

  /* Every line, and where buttons stand beside the map a lead from its end to the middle of its button. */
  function lines(at, limits, layer, beside, height) {
    return limits.map((option) => {
      const chosen = option.change === layer;
      const place = beside ? beside.indexOf(option.change) : -1;
      const lead = place < 0 ? "" : '<path class="map-lead' + (chosen ? " map-lead-chosen" : "") + '" d="M' + px(at.right_x) + " " + px(Math.max(at.top_y - 2, endOf(at, option))) + "L" + px(at.right_x + at.right) + " " + px(((place + 0.5) * height) / beside.length) + '"/>';
      return '<path class="map-line' + (chosen ? " map-line-chosen" : "") + '" d="' + path(along(at, option.p50_kpa)) + '"/>' + lead;
    }).join("");
  }

  /* A shelf: its outline over all its seasons, the last four weeks filled, each month a rung, the driest month a dashed lid. */
  function shape(at, shelf, number, chosen, escape) {
    const all = span(shelf);
    const now = latest(shelf);
    if (!all || !now) return "";
    const half = Math.max(6, at.X(at.half) - at.X(0));
    const left = at.X(shelf.holes_least) - half;
    const wide = at.X(shelf.holes_most) + half - left;
    const box = (low, high, name, extra) => '<rect class="' + name + '" rx="7" x="' + px(left) + '" y="' + px(at.Y(high)) + '" width="' + px(wide) + '" height="' + px(Math.max(3, at.Y(low) - at.Y(high))) + '"' + extra + "/>";
    const rungs = shelf.seasons.slice(1).map((season) => {
      const y = at.Y(season.p50_kpa);
      return '<path class="map-rung" d="M' + px(left) + " " + px(y) + "h9M" + px(left + wide) + " " + px(y) + 'h-9"/>' +
        (chosen ? '<text class="map-month" x="' + px(left + 12) + '" y="' + px(y + 4) + '">' + escape(seasonName(season.name)) + "</text>" : "");
    }).join("");
    const lid = shelf.driest_month && known(shelf.driest_month.vpd_kpa)
      ? '<path class="map-lid" d="M' + px(left - 4) + " " + px(at.Y(shelf.driest_month.vpd_kpa)) + "h" + px(wide + 8) + '"/>' : "";
    const dash = DASHES[number % DASHES.length];
    return box(all.low, all.high, "map-shelf" + (chosen ? " map-shelf-chosen" : ""), dash ? ' stroke-dasharray="' + dash + '"' : "") +
      box(now.p10_kpa, now.p90_kpa, "map-now", "") + rungs + lid;
  }

  /* Names stand at the left inside of their shapes, pushed apart. */
  function names(at, shelves, escape) {
    const said = shelves.filter((shelf) => span(shelf)).map((shelf) => {
      const now = latest(shelf);
      return { shelf, x: at.X(shelf.holes_least) + 2, y: at.Y((now.p10_kpa + now.p90_kpa) / 2) + 5 };
    }).sort((a, b) => a.y - b.y);
    said.forEach((one, i) => {
      said.slice(0, i).forEach((other) => { if (Math.abs(other.x - one.x) < 120 && one.y - other.y < 18) one.y = other.y + 18; });
    });
    return said.map((one) => '<text class="map-name" x="' + px(one.x) + '" y="' + px(one.y) + '">' + escape(one.shelf.shelf) + "</text>").join("");
  }

  function point(x, y, seen) {
    const r = POINT;
    if (seen === "moist") return '<circle class="map-seen map-seen-moist" cx="' + px(x) + '" cy="' + px(y) + '" r="' + px(r - 0.5) + '"/>';
    const d = "M" + px(x - r) + " " + px(y - r * 0.8) + "h" + px(2 * r) + "L" + px(x) + " " + px(y + r) + "Z";
    return '<path class="map-seen map-seen-' + (seen === "too dry" ? "too-dry" : "dry") + '" d="' + d + '"/>';
  }

  /* Notes of one number of holes stand side by side, always in the same places. */
  function points(at, notes) {
    const step = Math.max(2.2, (at.X(1) - at.X(0)) * at.step);
    return notes.filter((note) => known(note.vpd_kpa) && known(note.holes)).map((note, i) =>
      point(Math.min(at.right_x - 4, Math.max(at.left_x + 4, at.X(note.holes) + ((i * 7) % 9 - 4) * step)), at.Y(note.vpd_kpa), note.seen)).join("");
  }

  function self(at, map, pot, escape) {
    const own = ownOf(map, pot);
    const shelf = own && map.shelves.find((one) => one.shelf === own.shelf);
    const now = shelf && latest(shelf);
    if (!now || !known(own.holes)) return "";
    const x = at.X(known(own.place) ? own.place : own.holes);
    const y = at.Y(now.p50_kpa);
    const side = x > (at.left_x + at.right_x) / 2 ? -1 : 1;
    return '<path class="map-self" d="M' + px(x - 11) + " " + px(y) + "H" + px(x + 11) + "M" + px(x) + " " + px(y - 11) + "V" + px(y + 11) + '"/>' +
      '<text class="map-name map-name-self" text-anchor="' + (side < 0 ? "end" : "start") + '" x="' + px(x + side * 15) + '" y="' + px(y - 13) + '">' + escape(pot) + "</text>";
  }

  function draw(map, given) {
    const options = Object.assign({ layer: null, pot: null, shelf: null, width: 720, height: 520, beside: null }, given);
    const escape = root.dryline.speak.escape;
    const at = scales(map, options);
    const limits = limitsOf(map, options);
    const layer = options.layer || (limits[0] || {}).change;
    const own = ownOf(map, options.pot);
    const only = own ? own.shelf : options.shelf;
    const shelves = only ? map.shelves.filter((shelf) => shelf.shelf === only) : map.shelves;
    const notes = map.notes.filter((note) => (own ? note.pot === own.pot : !only || note.shelf === only));
    return '<svg class="map" viewBox="0 0 ' + px(options.width) + " " + px(options.height) + '" role="img" aria-label="' + escape(says(map, options).map((one) => (own ? "" : one.shelf + ": ") + one.says).join(" ")) + '">' +
      '<defs><clipPath id="map-in"><rect x="' + px(at.left_x) + '" y="' + px(at.top_y) + '" width="' + px(at.right_x - at.left_x) + '" height="' + px(at.floor_y - at.top_y) + '"/></clipPath>' +
      '<pattern id="map-hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path class="map-hatch" d="M0 0V7"/></pattern></defs>' +
      '<g clip-path="url(#map-in)">' + ground(at, limits.find((one) => one.change === layer)) + "</g>" +
      axes(at, options) +
      '<g clip-path="url(#map-in)">' + shelves.map((shelf) => shape(at, shelf, map.shelves.indexOf(shelf), Boolean(only), escape)).join("") + points(at, notes) + "</g>" +
      '<g>' + lines(at, limits, layer, options.beside, options.height) + "</g>" +
      (own ? self(at, map, options.pot, escape) : only ? "" : names(at, shelves, escape)) +
      "</svg>";
  }

  /* ---- the map in words: how many pots of each shelf lie above their own line ---- */

  function at_holes(holes, heights, count) {
    const above = holes.findIndex((one) => one >= count);
    if (above <= 0) return heights[above < 0 ? heights.length - 1 : 0];
    const share = (count - holes[above - 1]) / (holes[above] - holes[above - 1]);
    const [low, high] = [heights[above - 1], heights[above]];
    return known(low) && known(high) ? low + share * (high - low) : null;
  }

  /* Whether a pot with an option, and a number of holes, is too dry in the middle of the last four weeks. */
  function isAbove(map, pot, change, holes) {
    const option = pot.options.find((one) => one.change === change) || pot.options[0];
    const shelf = map.shelves.find((one) => one.shelf === pot.shelf);
    const line = at_holes(map.holes, option.p50_kpa, holes);
    return known(line) && known(pot.holes) && latest(shelf).p50_kpa > line;
  }

  function word(change, units) { return root.dryline.speak.option(change, units); }

  function told(map, pots, change) { return pots.filter((pot) => isAbove(map, pot, change, pot.holes)).length; }

  function ofShelf(map, shelf, change, changes, units) {
    const pots = potsOn(map, shelf.shelf);
    const many = told(map, pots, change);
    const alone = pots.length === 1;
    const how = change === "as it is" ? (alone ? "as it is" : "as they are") : "with " + word(change, units);
    const count = (n) => (n || "none") + " of " + pots.length;
    if (!many) return { shelf: shelf.shelf, says: alone ? "its one pot mostly moist enough " + how + "." : "none of its " + pots.length + " pots mostly too dry " + how + "." };
    const best = changes.filter((one) => one !== change).map((one) => ({ one, left: told(map, pots, one) })).filter((one) => one.left < many);
    const enough = best.find((one) => !one.left) || best.sort((a, b) => a.left - b.left)[0];
    const closed = pots.filter((pot) => isAbove(map, pot, change, 0)).length;
    const ways = [enough ? count(enough.left) + " with " + word(enough.one, units) : "", closed < many ? count(closed) + " " + map.least : ""].filter(Boolean);
    return { shelf: shelf.shelf, says: count(many) + (alone ? " pot" : " pots") + " mostly too dry " + how + (ways.length ? "; " + ways.join(", ") : "; nothing on this map helps") + "." };
  }

  function says(map, options) {
    const changes = layers(map, options);
    const change = options.layer || changes[0];
    const own = ownOf(map, options.pot);
    if (!change) return [];
    if (own) {
      const how = change === "as it is" ? "as it is" : "with " + word(change, options.units);
      return [{ shelf: own.shelf, says: own.pot + " " + how + ": " + (isAbove(map, own, change, own.holes) ? "above its line, mostly too dry" : "below its line, mostly moist enough") + " in the air of the last four weeks." }];
    }
    return map.shelves.filter((shelf) => latest(shelf) && potsOn(map, shelf.shelf).length).map((shelf) => ofShelf(map, shelf, change, changes, options.units));
  }

  root.dryline = Object.assign(root.dryline || {}, { map: { view, draw, says, layers, order, point } });
})(window);
