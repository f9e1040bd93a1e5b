/* The pot drawn as a cut section: one function, used on every screen.

   Owns: how reservoir, wick, medium, dry layer, cover, holes, gap and root tips look, and where each stands.
   Must not know: where facts come from, what a page is, which theme is on (colours are CSS variables).

   draw(facts, options) -> SVG text. The same facts and options always give the same drawing: grains are placed by a
   generator that is started from the set-up, so a pot keeps its stones from one refresh to the next.

   facts    build: { pot: {top_diameter_mm, bottom_diameter_mm, height_mm}, surface_height_mm (above the reservoir floor),
                     headroom_mm, reservoir: {height_mm, fill_mark_mm, area_mm2 | null},
                     layers: [{thickness_mm, grain: fine | medium | coarse | mm, mix: {medium: share} | null}] from the top,
                     cover: {kind, thickness_mm, replaces_medium} or null, vents: {count, diameter_mm, height_mm} | null,
                     wick: {strands} | null, gap: none | narrow | wide }
            level_mm | null, dry_layer_mm: {p10, p50, p90} | null, rests_on: measured | borrowed | guessed,
            tips: {growing, stalled, dried, rotted, new} | null, rooting_depth_mm
   options  form: small | large, exaggerate: true | false, width, height (of the view box; height null = as tall as the pot needs), id (unique in the document),
            length: mm -> text (the large form writes lengths with it)

   Exaggerated, the upper 40 mm of the medium are drawn 2.7 times as tall as the rest. Everything passes through the
   same map of heights, so what lies above or below the dry line is true either way. Guessed figures are drawn as a band
   without a line: before any note there is no millimetre to show. Source of sizes: the set-up; grain sizes are nominal. */
(function (root) {
  "use strict";

  const GRAIN_MM = { fine: 5.5, medium: 11, coarse: 19 };
  const GAP_MM = { none: 0, narrow: 3, wide: 12 };
  const PEBBLE_MM = 10;
  const STRETCHED_MM = 40;
  const STRETCH = 2;
  const SQUEEZE = 0.75;
  const PLANT_MM = { small: 30, large: 40 };
  const MAX_ROOTS = { small: 4, large: 6 };
  const LEAST_LARGE = 330; /* the words beside a low pot need this much */
  const SHAPES = {
    expanded_clay: ball, lava_rock: chunk, pumice: lump, perlite: lump, porous_ceramic: prism, ceramic: prism,
    bark: chip, granite_grit: chunk, grit: chunk, sand: chunk, zeolite: chunk, tuff: chunk, scoria: chunk,
    sphagnum_moss: strand, coir: strand, charcoal: prism,
  };
  /* Four tones; a medium keeps its tone dry and moist. */
  const TONES = {
    expanded_clay: 1, lava_rock: 2, scoria: 2, tuff: 2, pumice: 3, perlite: 3, porous_ceramic: 4, ceramic: 4, bark: 2,
    sphagnum_moss: 3, coir: 2, charcoal: 2, granite_grit: 4, grit: 4, sand: 1, zeolite: 4,
  };
  const NAMES = { expanded_clay: "expanded clay", lava_rock: "lava rock", porous_ceramic: "porous ceramic", granite_grit: "granite grit" };

  /* ---- small helpers: numbers as text, a repeatable generator ---- */

  const px = (value) => String(Math.round(value * 10) / 10);
  const at = (x, y) => px(x) + " " + px(y);
  const known = (value) => typeof value === "number" && isFinite(value);

  function seedOf(text) {
    let hash = 2166136261;
    for (let i = 0; i < text.length; i += 1) hash = Math.imul(hash ^ text.charCodeAt(i), 16777619);
    return hash >>> 0;
  }

  function generator(seed) {
    let state = seed >>> 0;
    return function next() {
      state = (state + 0x6d2b79f5) >>> 0;
      let t = Math.imul(state ^ (state >>> 15), 1 | state);
      t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
      return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
    };
  }

  /* ---- the frame: mm to drawing units ---- */

  /* A porous cover wicks: it counts as the top layer of the medium, and depth is counted from its surface. */
  function wicking(build) {
    const cover = build.cover;
    if (!cover || cover.kind === "none" || cover.kind === "pebbles" || !(cover.thickness_mm > 0)) return build;
    const top = { thickness_mm: cover.thickness_mm, grain: "medium", mix: { [cover.kind]: 1 }, is_cover: true };
    return Object.assign({}, build, {
      layers: [top].concat(build.layers), surface_height_mm: build.surface_height_mm + cover.thickness_mm,
      headroom_mm: Math.max(0, (build.headroom_mm || 0) - cover.thickness_mm), cover: null,
    });
  }

  function frameOf(build, options) {
    const pot = build.pot;
    const medium_mm = build.layers.reduce((sum, layer) => sum + layer.thickness_mm, 0);
    const surface = build.surface_height_mm;
    const bottom = Math.max(0, surface - medium_mm);
    const cover = build.cover && build.cover.kind !== "none" ? build.cover : null;
    const cover_top = surface + (cover ? cover.thickness_mm : 0);
    const rim = Math.max(bottom + pot.height_mm, surface + (build.headroom_mm || 0));
    const gap = GAP_MM[build.gap] || 0;
    const potHalf = (h) => {
      const along = (Math.min(Math.max(h, bottom), rim) - bottom) / Math.max(1, rim - bottom);
      return (pot.bottom_diameter_mm + along * (pot.top_diameter_mm - pot.bottom_diameter_mm)) / 2;
    };
    const reservoir = build.reservoir;
    const area_half = known(reservoir.area_mm2) ? Math.sqrt(reservoir.area_mm2 / Math.PI) : 0;
    const vessel_top = gap ? Math.max(reservoir.height_mm, rim - 7) : reservoir.height_mm;
    const foot_half = Math.max(pot.bottom_diameter_mm / 2 + gap + 4, gap ? 0 : area_half);
    const head_half = gap ? Math.max(foot_half, potHalf(vessel_top) + gap + 3) : foot_half;
    const vesselHalf = (h) => foot_half + (head_half - foot_half) * Math.min(1, h / vessel_top);

    const stretch = options.exaggerate;
    const lifted = (h) => {
      if (!stretch) return h;
      const depth = surface - h;
      if (depth <= 0) return lifted_surface + (h - surface) * 1.15;
      return lifted_surface - Math.min(depth, STRETCHED_MM) * STRETCH - Math.max(0, depth - STRETCHED_MM) * SQUEEZE;
    };
    const lifted_surface = stretch
      ? Math.min(surface, STRETCHED_MM) * STRETCH + Math.max(0, surface - STRETCHED_MM) * SQUEEZE
      : surface;

    const margin = options.form === "large" ? { left: 58, right: 150, top: 6, bottom: 12 } : { left: 7, right: 13, top: 2, bottom: 4 };
    const top_mm = Math.max(lifted(rim) + 8, lifted(cover_top) + PLANT_MM[options.form]);
    const wide_mm = 2 * Math.max(head_half, pot.top_diameter_mm / 2) + 4;
    const room_x = options.width - margin.left - margin.right;
    const fitted = known(options.height) ? options.height : Math.max(room_x / wide_mm * top_mm + margin.top + margin.bottom, LEAST_LARGE);
    const room_y = fitted - margin.top - margin.bottom;
    let scale_y = room_y / top_mm;
    let scale_x = Math.min(room_x / wide_mm, scale_y * (stretch ? 1.3 : 1));
    if (!stretch) { scale_y = Math.min(scale_y, scale_x); scale_x = scale_y; }
    const centre = margin.left + room_x / 2;
    const floor_y = fitted - margin.bottom;
    return {
      surface, bottom, rim, cover, cover_top, gap, vessel_top, potHalf, vesselHalf, scale_x, scale_y,
      X: (half_mm) => centre + half_mm * scale_x,
      Y: (h) => floor_y - lifted(h) * scale_y,
      width: options.width, height: fitted, margin, centre, floor_y,
      knee: surface - STRETCHED_MM,
    };
  }

  /* Heights at which a sloping wall bends, because the map of heights does. */
  function bends(frame, low, high) {
    const inside = [frame.knee, frame.surface].filter((h) => h > low + 0.5 && h < high - 0.5);
    return [low].concat(inside, [high]);
  }

  function outline(frame, half, low, high) {
    const heights = bends(frame, low, high);
    const left = heights.map((h) => at(frame.X(-half(h)), frame.Y(h)));
    const right = heights.map((h) => at(frame.X(half(h)), frame.Y(h))).reverse();
    return "M" + left.concat(right).join("L") + "Z";
  }

  function wall(frame, half, side, low, high) {
    return "M" + bends(frame, low, high).map((h) => at(frame.X(side * half(h)), frame.Y(h))).join("L");
  }

  /* ---- grains ---- */

  function ring(points) { return "M" + points.map((p) => at(p[0], p[1])).join("L") + "Z"; }

  function around(x, y, r, count, turn, radius) {
    const points = [];
    for (let i = 0; i < count; i += 1) {
      const angle = turn + (i / count) * 2 * Math.PI;
      const reach = r * radius(i);
      points.push([x + reach * Math.cos(angle), y + reach * Math.sin(angle)]);
    }
    return points;
  }

  function smooth(points) {
    const middle = (a, b) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    let path = "M" + at(...middle(points[points.length - 1], points[0]));
    points.forEach((point, i) => {
      path += "Q" + at(point[0], point[1]) + " " + at(...middle(point, points[(i + 1) % points.length]));
    });
    return path + "Z";
  }

  function ellipse(x, y, rx, ry) {
    return "M" + at(x - rx, y) + "a" + px(rx) + " " + px(ry) + " 0 1 0 " + px(2 * rx) + " 0a" + px(rx) + " " + px(ry) + " 0 1 0 " + px(-2 * rx) + " 0Z";
  }

  function ball(x, y, r, next) { const flat = 0.9 + 0.1 * next(); return ellipse(x, y, r, r * flat); }

  function chunk(x, y, r, next) {
    const count = 6 + Math.floor(next() * 3);
    return ring(around(x, y, r * 1.08, count, next() * 6.28, () => 0.72 + 0.42 * next()));
  }

  function lump(x, y, r, next) { return smooth(around(x, y, r * 1.16, 7, next() * 6.28, () => 0.86 + 0.3 * next())); }

  function prism(x, y, r, next) {
    const turn = next() * 3.14;
    const across = r * 0.8;
    const along = r * 1.1;
    const corner = (a, b) => [x + a * along * Math.cos(turn) - b * across * Math.sin(turn), y + a * along * Math.sin(turn) + b * across * Math.cos(turn)];
    return ring([corner(-1, -0.6), corner(-0.6, -1), corner(0.6, -1), corner(1, -0.6), corner(1, 0.6), corner(0.6, 1), corner(-0.6, 1), corner(-1, 0.6)]);
  }

  function chip(x, y, r, next) {
    const turn = (next() - 0.5) * 1.4;
    const corner = (a, b) => [x + a * r * Math.cos(turn) - b * r * Math.sin(turn), y + a * r * Math.sin(turn) + b * r * Math.cos(turn)];
    return ring([corner(-1.3, -0.1), corner(-0.6, -0.55), corner(0.9, -0.45), corner(1.3, 0.15), corner(0.4, 0.55), corner(-0.9, 0.4)]);
  }

  function strand(x, y, r, next) {
    const lean = (next() - 0.5) * r;
    return "M" + at(x - r * 1.2, y + lean) + "Q" + at(x - r * 0.2, y - r * 1.1) + " " + at(x + r * 1.2, y - lean * 0.4) +
      "Q" + at(x, y - r * 0.4) + " " + at(x - r * 1.2, y + lean) + "Z";
  }

  function pebble(x, y, r, next) { const flat = 0.72 + 0.2 * next(); return ellipse(x, y, r * 1.12, r * flat); }

  /* Marks that tell the media apart in the large form: pores of lava and pumice, the sheen of a clay ball. */
  function grainMark(kind, x, y, r, next) {
    if (kind === "lava_rock" || kind === "scoria" || kind === "tuff") {
      return ellipse(x - r * 0.3, y - r * 0.1, r * 0.14, r * 0.12) + ellipse(x + r * 0.25, y + r * 0.3, r * 0.17, r * 0.13) + ellipse(x + r * 0.28, y - r * 0.32, r * 0.09, r * 0.09);
    }
    if (kind === "pumice" || kind === "perlite") {
      const turn = next() * 6.28;
      return ellipse(x + r * 0.35 * Math.cos(turn), y + r * 0.35 * Math.sin(turn), r * 0.07, r * 0.07) + ellipse(x - r * 0.3 * Math.cos(turn), y - r * 0.2, r * 0.07, r * 0.07);
    }
    if (kind === "expanded_clay") {
      return "M" + at(x - r * 0.62, y - r * 0.1) + "Q" + at(x - r * 0.5, y - r * 0.62) + " " + at(x + r * 0.05, y - r * 0.66) + "Q" + at(x - r * 0.38, y - r * 0.48) + " " + at(x - r * 0.62, y - r * 0.1) + "Z";
    }
    return "";
  }

  /* Rows from below, every second one shifted, each grain a little off its place: settled, not counted out. */
  function settle(frame, low, high, r, next) {
    const grains = [];
    const floor = frame.Y(low);
    const ceiling = frame.Y(high);
    const rise = r * 1.66;
    const halfAt = (y) => {
      const share = (floor - y) / Math.max(1, floor - ceiling);
      return frame.potHalf(low + share * (high - low)) * frame.scale_x;
    };
    let row = 0;
    for (let y = floor - r * 0.95; y > ceiling + r * 0.45; y -= rise, row += 1) {
      const half = halfAt(y) - r * 0.7;
      const count = Math.max(1, Math.round((2 * half) / (r * 2.02)));
      const step = (2 * half) / count;
      const shift = row % 2 ? step / 2 : 0;
      for (let i = 0; i <= count; i += 1) {
        const x = -half + i * step + shift;
        if (x > half + r * 0.1) continue;
        grains.push({
          x: frame.centre + x + (next() - 0.5) * r * 0.4,
          y: y + (next() - 0.5) * r * 0.36,
          r: r * (0.8 + 0.24 * next()),
        });
      }
    }
    return grains;
  }

  function pick(mix, next) {
    if (!mix) return "unknown";
    const kinds = Object.keys(mix).sort();
    const whole = kinds.reduce((sum, kind) => sum + mix[kind], 0);
    let reach = next() * whole;
    for (const kind of kinds) { reach -= mix[kind]; if (reach <= 0) return kind; }
    return kinds[kinds.length - 1];
  }

  /* Which side of the line a grain stands on; one that straddles it is drawn on both and cut by the clip. */
  function sides(grain, line) {
    const found = [];
    if (grain.y - grain.r < line.dry_until) found.push("dry");
    if (line.moist_from > line.dry_until && grain.y + grain.r > line.dry_until && grain.y - grain.r < line.moist_from) found.push("between");
    if (grain.y + grain.r > line.moist_from) found.push("moist");
    return found;
  }

  function mediumPaths(frame, build, line, large, next) {
    const paths = { dry: {}, between: {}, moist: {}, dryMarks: "", moistMarks: "" };
    let high = frame.surface;
    build.layers.forEach((layer) => {
      const low = Math.max(frame.bottom, high - layer.thickness_mm);
      const r = ((known(layer.grain) ? layer.grain : GRAIN_MM[layer.grain] || GRAIN_MM.medium) / 2) * frame.scale_x;
      settle(frame, low, high, Math.max(r, 1.6), next).forEach((grain) => {
        const kind = pick(layer.mix, next);
        const tone = TONES[kind] || 1;
        const shape = SHAPES[kind] || ball;
        const whole = shape(grain.x, grain.y, grain.r, next);
        const mark = large ? grainMark(kind, grain.x, grain.y, grain.r, next) : "";
        sides(grain, line).forEach((side) => {
          paths[side][tone] = (paths[side][tone] || "") + whole;
          if (side === "dry") paths.dryMarks += mark;
          if (side === "moist") paths.moistMarks += mark;
        });
      });
      high = low;
    });
    return paths;
  }

  function coverPath(frame, next) {
    if (!frame.cover) return "";
    const r = Math.max(PEBBLE_MM * 0.5 * frame.scale_x, 2);
    const grains = settle(frame, frame.surface, frame.cover_top, r, next);
    const rows = grains.length ? grains : [{ x: frame.centre, y: frame.Y(frame.surface) - r, r }];
    const path = rows.map((grain) => pebble(grain.x, grain.y, grain.r, next)).join("");
    return '<path class="cut-cover" d="' + path + '"/>';
  }

  /* ---- where the dry line stands on the drawing ---- */

  function lineOf(frame, facts) {
    const dry = facts.dry_layer_mm;
    if (!dry || !known(dry.p50)) return { kind: "unknown", dry_until: -1e6, moist_from: 1e6 };
    const depth = (mm) => frame.Y(Math.max(frame.bottom, frame.surface - Math.max(0, mm)));
    const band = { p10: depth(known(dry.p10) ? dry.p10 : dry.p50), p50: depth(dry.p50), p90: depth(known(dry.p90) ? dry.p90 : dry.p50) };
    if (facts.rests_on === "guessed") return { kind: "band", band, dry_until: band.p10, moist_from: band.p90 };
    return { kind: "line", band, dry_until: band.p50, moist_from: band.p50 };
  }

  /* ---- roots: one stroke each, its end tells the state by shape ---- */

  function rootStates(tips, most) {
    if (!tips) return [];
    const order = ["growing", "stalled", "dried", "rotted", "new"];
    const left = {};
    order.forEach((state) => { left[state] = tips[state] || 0; });
    const shown = [];
    while (shown.length < most && order.some((state) => left[state] > 0)) {
      order.forEach((state) => {
        if (left[state] > 0 && shown.length < most) { shown.push(state); left[state] -= 1; }
      });
    }
    return shown;
  }

  function roots(frame, facts, line, form, next) {
    const shown = rootStates(facts.tips, MAX_ROOTS[form]);
    const surface_y = frame.Y(frame.surface);
    const bottom_y = frame.Y(frame.bottom);
    const line_y = line.kind === "unknown" ? surface_y + (bottom_y - surface_y) * 0.3 : line.band.p50;
    const spread = frame.potHalf(frame.surface) * frame.scale_x * 0.72;
    const k = Math.max(0.8, frame.scale_x);
    const deep = bottom_y - surface_y;
    const drawn = { body: "", thin: "", soft: "", tip: "", blunt: "", hollow: "", blob: "" };
    shown.forEach((state, i) => {
      const across = shown.length === 1 ? 0.25 : -1 + (2 * i) / (shown.length - 1);
      const x0 = frame.centre + across * spread * 0.22;
      const x1 = frame.centre + across * spread;
      const y0 = frame.Y(frame.cover_top) - 2.2 * k;
      const wander = (next() - 0.5) * 6 * k;
      const path = (end) => "M" + at(x0, y0) + "C" + at(x0 + (x1 - x0) * 0.62, y0 + (end - y0) * 0.1) + " " + at(x1 + wander, y0 + (end - y0) * 0.5) + " " + at(x1, end);
      if (state === "growing") {
        const end = Math.min(bottom_y - 5 * k, Math.max(line_y + deep * 0.3, surface_y + deep * 0.5) + next() * deep * 0.12);
        drawn.body += path(end);
        drawn.tip += "M" + at(x1 - 2.1 * k, end - 0.5) + "L" + at(x1, end + 6.5 * k) + "L" + at(x1 + 2.1 * k, end - 0.5) + "Z";
      } else if (state === "stalled") {
        const end = Math.max(surface_y + 3 * k, Math.min(line_y, bottom_y - 6 * k));
        drawn.body += path(end);
        drawn.blunt += "M" + at(x1 - 4 * k, end) + "L" + at(x1 + 4 * k, end);
      } else if (state === "dried") {
        const end = surface_y + Math.max(5 * k, Math.min((line_y - surface_y) * 0.72, deep * 0.4));
        drawn.thin += path(end);
        drawn.hollow += ellipse(x1, end + 2.4 * k, 1.7 * k, 2.8 * k);
      } else if (state === "rotted") {
        const end = Math.min(bottom_y - 6 * k, Math.max(line_y + deep * 0.22, surface_y + deep * 0.4));
        drawn.soft += path(end);
        drawn.blob += ellipse(x1, end, 3.1 * k, 2.7 * k) + ellipse(x1 + 2.3 * k, end + 3 * k, 1.7 * k, 1.5 * k) + ellipse(x1 - 1.8 * k, end + 3.2 * k, 1.2 * k, 1.2 * k);
      } else {
        const end = y0 + 4.5 * k;
        drawn.body += "M" + at(x0, y0) + "Q" + at(x0 + across * 7 * k, y0 - 1.5 * k) + " " + at(x0 + across * 9 * k, end);
        drawn.tip += "M" + at(x0 + across * 9 * k - 1.9 * k, end - 0.5) + "L" + at(x0 + across * 9 * k, end + 4.5 * k) + "L" + at(x0 + across * 9 * k + 1.9 * k, end - 0.5) + "Z";
      }
    });
    const width = px((form === "small" ? 1.9 : 2.7) * k);
    const edge = px((form === "small" ? 3.3 : 4.3) * k);
    const path = (d, name, more) => (d ? '<path class="' + name + '" d="' + d + '"' + (more || "") + "/>" : "");
    return path(drawn.body + drawn.soft, "cut-root-edge", ' stroke-width="' + edge + '"') +
      path(drawn.body, "cut-root", ' stroke-width="' + width + '"') +
      path(drawn.soft, "cut-root-soft", ' stroke-width="' + width + '" stroke-dasharray="' + px(3 * k) + " " + px(2.2 * k) + '"') +
      path(drawn.thin, "cut-root-papery", ' stroke-width="' + px(1.3 * k) + '"') +
      path(drawn.blunt, "cut-tip-stalled", ' stroke-width="' + px(2.4 * k) + '"') +
      path(drawn.hollow, "cut-tip-dried", ' stroke-width="' + px(1.1 * k) + '"') +
      path(drawn.blob, "cut-tip-rotted") + path(drawn.tip, "cut-tip-growing", ' stroke-width="' + px(0.7 * k) + '"');
  }

  /* A shoot, so that the eye knows which way is up. Not a portrait of the plant. */
  function shoot(frame, form) {
    const base = frame.Y(frame.cover_top);
    const s = (PLANT_MM[form] + 2) * frame.scale_y * 0.94;
    const x = frame.centre;
    const leaf = (dx, dy, bend) => "M" + at(x, base) + "C" + at(x + bend * s * 0.1, base - dy * s * 0.6) + " " + at(x + dx * s * 0.55, base - dy * s * 1.02) + " " + at(x + dx * s, base - dy * s) +
      "C" + at(x + dx * s * 0.72, base - dy * s * 0.62) + " " + at(x + dx * s * 0.32, base - dy * s * 0.18) + " " + at(x, base) + "Z";
    const bulb = "M" + at(x - s * 0.15, base + 0.5) + "C" + at(x - s * 0.24, base - s * 0.26) + " " + at(x - s * 0.08, base - s * 0.5) + " " + at(x + s * 0.01, base - s * 0.54) +
      "C" + at(x + s * 0.13, base - s * 0.46) + " " + at(x + s * 0.21, base - s * 0.22) + " " + at(x + s * 0.14, base + 0.5) + "Z";
    return '<path class="cut-leaf" d="' + leaf(1.12, 0.78, 1) + leaf(-1.16, 0.62, -1) + leaf(0.28, 1, 0.3) + '"/><path class="cut-bulb" d="' + bulb + '"/>';
  }

  /* ---- vessel, water, wick, wall ---- */

  function water(frame, facts, id) {
    const mark = facts.build.reservoir.fill_mark_mm;
    if (!known(facts.level_mm)) {
      const full = known(mark) ? mark : frame.vessel_top * 0.8;
      return '<path class="cut-water-unknown" fill="url(#' + id + '-h)" d="' + outline(frame, frame.vesselHalf, 0, full) + '"/>';
    }
    const level = Math.max(0, Math.min(facts.level_mm, frame.vessel_top));
    if (level < 0.5) return "";
    return '<path class="cut-water" d="' + outline(frame, frame.vesselHalf, 0, level) + '"/>';
  }

  function waterFront(frame, facts) {
    if (!known(facts.level_mm) || facts.level_mm < 0.5) return "";
    const level = Math.min(facts.level_mm, frame.vessel_top);
    const half = frame.vesselHalf(level);
    const y = frame.Y(level);
    return '<path class="cut-water-front" d="' + outline(frame, frame.vesselHalf, 0, level) + '"/>' +
      '<path class="cut-water-line" d="M' + at(frame.X(-half), y) + "L" + at(frame.X(half), y) + '"/>';
  }

  function wick(frame, build) {
    if (!build.wick || !build.wick.strands) return "";
    const strands = Math.min(4, build.wick.strands);
    const top = frame.bottom + (frame.surface - frame.bottom) * 0.3;
    let path = "";
    for (let i = 0; i < strands; i += 1) {
      const x = (i - (strands - 1) / 2) * 13;
      const y0 = frame.Y(top);
      const y1 = frame.Y(Math.min(2, frame.bottom));
      const sway = 1.6 * frame.scale_x;
      path += "M" + at(frame.X(x), y0) + "C" + at(frame.X(x) + sway, y0 + (y1 - y0) * 0.3) + " " + at(frame.X(x) - sway, y0 + (y1 - y0) * 0.7) + " " + at(frame.X(x), y1);
    }
    const wide = Math.max(2, 4.2 * frame.scale_x);
    return '<path class="cut-wick-edge" stroke-width="' + px(wide + 1.4) + '" d="' + path + '"/>' +
      '<path class="cut-wick" stroke-width="' + px(wide) + '" d="' + path + '"/>' +
      '<path class="cut-wick-twist" stroke-width="' + px(wide) + '" stroke-dasharray="' + px(wide * 0.35) + " " + px(wide * 0.75) + '" d="' + path + '"/>';
  }

  /* The wall of the pot with its holes left open. The cut passes through one hole on each side. */
  function potWall(frame, build, small) {
    const vents = build.vents && build.vents.count > 0 ? build.vents : null;
    let low = frame.bottom;
    const spans = [];
    if (vents) {
      const half = Math.max(vents.diameter_mm, small ? 9 : 0) / 2;
      const middle = Math.max(frame.bottom + half + 2, Math.min(vents.height_mm, frame.rim - half - 2));
      spans.push([low, middle - half]);
      low = middle + half;
      frame.vent_h = middle;
    }
    spans.push([low, frame.rim]);
    let path = "";
    [-1, 1].forEach((side) => {
      spans.forEach((span) => { path += wall(frame, frame.potHalf, side, span[0], span[1]); });
      const lip = frame.X(side * frame.potHalf(frame.rim));
      path += "M" + at(lip, frame.Y(frame.rim)) + "l" + at(side * 3.2 * frame.scale_x, 0);
    });
    const foot = frame.potHalf(frame.bottom);
    const slot = Math.min(foot * 0.5, 20);
    [[-foot, -slot], [slot, foot]].forEach((span) => {
      path += "M" + at(frame.X(span[0]), frame.Y(frame.bottom)) + "L" + at(frame.X(span[1]), frame.Y(frame.bottom));
    });
    let holes = "";
    if (vents) {
      [-1, 1].forEach((side) => {
        const x = frame.X(side * frame.potHalf(frame.vent_h));
        const r = Math.max(small ? 2.1 : 3, (vents.diameter_mm / 2) * frame.scale_x * 0.62);
        holes += ellipse(x, frame.Y(frame.vent_h), r, r);
      });
    }
    return '<path class="cut-wall" d="' + path + '"/>' + (holes ? '<path class="cut-hole" d="' + holes + '"/>' : "");
  }

  function vesselWall(frame, build) {
    const path = wall(frame, frame.vesselHalf, -1, 0, frame.vessel_top) + wall(frame, frame.vesselHalf, 1, 0, frame.vessel_top) +
      "M" + at(frame.X(-frame.vesselHalf(0)), frame.Y(0)) + "L" + at(frame.X(frame.vesselHalf(0)), frame.Y(0));
    const mark = build.reservoir.fill_mark_mm;
    let notch = "";
    if (known(mark) && mark <= frame.vessel_top) {
      const x = frame.X(-frame.vesselHalf(mark));
      const y = frame.Y(mark);
      notch = '<path class="cut-mark" d="M' + at(x - 1, y) + "l" + at(-5, -3) + "l" + at(0, 6) + 'Z"/>';
    }
    return '<path class="cut-vessel" d="' + path + '"/>' + notch;
  }

  /* ---- the dry line, its band, and the rooting depth ---- */

  function dryLine(frame, facts, line, small) {
    const depth = facts.rooting_depth_mm;
    let drawn = "";
    const right = Math.max(frame.potHalf(frame.surface), frame.gap ? frame.vesselHalf(frame.surface) : 0);
    if (known(depth) && depth < frame.surface - frame.bottom) {
      const y = frame.Y(frame.surface - depth);
      const x = frame.X(-Math.max(frame.potHalf(frame.surface - depth), frame.gap ? frame.vesselHalf(frame.surface - depth) : 0));
      drawn += '<path class="cut-reach" d="M' + at(x - 5.5, y) + "L" + at(x - 1, y) + '"/>';
    }
    if (line.kind === "unknown") return drawn;
    const x = frame.X(right) + (small ? 4.5 : 9);
    const cap = small ? 2 : 4;
    if (line.kind === "band" || line.band.p90 - line.band.p10 > 0.8) {
      drawn += '<path class="cut-band' + (line.kind === "band" ? " cut-band-guessed" : "") + '" d="M' + at(x - cap, line.band.p10) + "h" + px(2 * cap) + "M" + at(x, line.band.p10) + "V" + px(line.band.p90) + "M" + at(x - cap, line.band.p90) + "h" + px(2 * cap) + '"/>';
    }
    if (line.kind === "line") {
      const h = Math.max(frame.bottom, frame.surface - Math.max(0, facts.dry_layer_mm.p50));
      const half = frame.potHalf(h);
      drawn += '<path class="cut-line-edge" d="M' + at(frame.X(-half), line.band.p50) + "L" + at(x + cap, line.band.p50) + '"/>' +
        '<path class="cut-line" d="M' + at(frame.X(-half), line.band.p50) + "L" + at(x + cap, line.band.p50) + '"/>';
    }
    return drawn;
  }

  function bandWash(frame, line) {
    if (line.kind === "unknown") return "";
    const x = frame.X(-frame.potHalf(frame.rim));
    const wide = 2 * frame.potHalf(frame.rim) * frame.scale_x;
    if (line.kind === "band") {
      return '<rect class="cut-wash-guessed" x="' + px(x) + '" y="' + px(line.band.p10) + '" width="' + px(wide) + '" height="' + px(Math.max(0, line.band.p90 - line.band.p10)) + '"/>';
    }
    const strip = (name, from, to) => (to - from > 0.4 ? '<rect class="' + name + '" x="' + px(x) + '" y="' + px(from) + '" width="' + px(wide) + '" height="' + px(to - from) + '"/>' : "");
    return strip("cut-wash-moist", line.band.p10, line.band.p50) + strip("cut-wash-dry", line.band.p50, line.band.p90);
  }

  /* ---- scale and words of the large form ---- */

  const SCALE = { mm: { mm: 5, told: 5 }, in: { mm: 25.4 / 8, told: 0.125 } }; /* a small tick, and how it is told */

  function ticks(frame, facts, length) {
    const x = frame.X(-Math.max(frame.vesselHalf(frame.vessel_top), frame.potHalf(frame.rim))) - 12;
    const low = frame.Y(frame.bottom);
    let path = "M" + at(x, frame.Y(frame.surface)) + "V" + px(low);
    let text = "";
    const deepest = frame.surface - frame.bottom;
    const unit = length(0).replace(/.* /, "");
    const step = SCALE[unit] || SCALE.mm;
    for (let n = 0; n * step.mm <= deepest; n += 1) {
      const y = frame.Y(frame.surface - n * step.mm);
      path += "M" + at(x, y) + "h" + (n % 2 === 0 ? -7 : -4);
      if (n % 4 === 0) text += '<text class="cut-tick" text-anchor="end" x="' + px(x - 10) + '" y="' + px(y + 4) + '">' + n * step.told + "</text>";
    }
    text += '<text class="cut-tick cut-tick-unit" text-anchor="end" x="' + px(x) + '" y="' + px(frame.Y(frame.surface) - 12) + '">' + unit + ' deep</text>';
    if (known(facts.rooting_depth_mm)) {
      const y = frame.Y(frame.surface - facts.rooting_depth_mm);
      path += "M" + at(x + 1, y) + "l7 -4v8Z";
    }
    return '<path class="cut-scale" d="' + path + '"/>' + text;
  }

  function mixWords(mix) {
    if (!mix) return ["unknown mix"];
    const kinds = Object.keys(mix).sort((a, b) => mix[b] - mix[a] || (a < b ? -1 : 1));
    return kinds.slice(0, 3).map((kind) => NAMES[kind] || kind.replace(/_/g, " "));
  }

  function grainWords(grain, length) { return known(grain) ? "grain " + length(grain) : grain + " grain"; }

  function words(frame, build, facts, line, length) {
    const said = [];
    if (frame.cover) said.push({ h: (frame.surface + frame.cover_top) / 2, at: frame.potHalf(frame.surface), text: [frame.cover.kind.replace(/_/g, " ") + " " + length(frame.cover.thickness_mm)] });
    if (line.kind === "line") {
      const dry = facts.dry_layer_mm;
      const range = "could be " + length(dry.p10).replace(/ .*/, "") + " to " + length(dry.p90).replace(/ .*/, "");
      said.push({ h: frame.surface - dry.p50, at: frame.potHalf(frame.surface) + 6, text: [dry.p50 < 0.5 ? "moist at the surface" : "dry line " + length(dry.p50), range], strong: true });
    } else if (line.kind === "band") {
      said.push({ h: frame.surface - facts.dry_layer_mm.p50, at: frame.potHalf(frame.surface) + 6, text: ["dry line in this band", "guessed from its build"], strong: true });
    }
    let high = frame.surface;
    build.layers.forEach((layer) => {
      const low = high - layer.thickness_mm;
      said.push({ h: high - layer.thickness_mm * 0.62, at: frame.potHalf(high) * 0.6, text: layer.is_cover ? mixWords(layer.mix).concat("cover, " + length(layer.thickness_mm)) : mixWords(layer.mix).concat(grainWords(layer.grain, length)), plain: true });
      high = low;
    });
    if (build.vents && build.vents.count > 0) said.push({ h: frame.vent_h, at: frame.potHalf(frame.vent_h) + 2, text: [build.vents.count + " holes, " + length(build.vents.diameter_mm)] });
    if (known(facts.level_mm)) said.push({ h: Math.max(1, facts.level_mm), at: frame.vesselHalf(facts.level_mm), text: ["water " + length(facts.level_mm), "full at " + length(build.reservoir.fill_mark_mm)] });
    else said.push({ h: build.reservoir.fill_mark_mm * 0.5, at: frame.vesselHalf(1), text: ["level not known"] });
    said.forEach((item) => { item.y = frame.Y(item.h); item.tall = item.text.length * 15 + 7; });
    said.sort((a, b) => a.y - b.y);
    let free = frame.margin.top + 8;
    said.forEach((item) => { item.text_y = Math.max(item.y - item.tall / 2 + 4, free); free = item.text_y + item.tall; });
    let over = free - (frame.height - 4);
    for (let i = said.length - 1; i >= 0 && over > 0; i -= 1) {
      const floor = i ? said[i - 1].text_y + said[i - 1].tall : frame.margin.top;
      const move = Math.min(over, said[i].text_y - floor);
      for (let j = i; j < said.length; j += 1) said[j].text_y -= move;
      over -= move;
    }
    const x = frame.width - frame.margin.right + 34;
    return said.map((item) => {
      const middle = item.text_y + item.text.length * 7.5;
      return '<path class="cut-lead" d="M' + at(frame.X(item.at) + 3, item.y) + "L" + at(x - 16, middle) + "L" + at(x - 5, middle) + '"/>' +
        item.text.map((text, i) => '<text class="cut-word' + (item.strong && !i ? " cut-word-strong" : i && !(item.plain && i < item.text.length - 1) ? " cut-word-soft" : "") + '" x="' + px(x) + '" y="' + px(item.text_y + 12 + i * 15) + '">' + escape(text) + "</text>").join("");
    }).join("");
  }

  function escape(text) {
    return String(text).replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;").replace(/"/g, "&quot;");
  }

  /* ---- the sentence for those who do not see the drawing ---- */

  function describe(facts, length) {
    const dry = facts.dry_layer_mm;
    const parts = [];
    if (!dry || !known(dry.p50)) parts.push("dry line not known");
    else if (facts.rests_on === "guessed") parts.push("dry line guessed from how it is built");
    else if (dry.p50 < 0.5) parts.push("moist at the surface");
    else parts.push("dry line " + length(dry.p50) + " below the surface, could be " + length(dry.p10) + " to " + length(dry.p90));
    parts.push(known(facts.level_mm) ? "water " + length(facts.level_mm) : "water level not known");
    const cover = facts.build.cover;
    if (cover && cover.kind !== "none") parts.push(length(cover.thickness_mm) + " " + cover.kind.replace(/_/g, " ") + " on top");
    const tips = facts.tips;
    if (tips) {
      const seen = ["growing", "stalled", "dried", "rotted", "new"].filter((state) => tips[state] > 0).map((state) => tips[state] + " " + state);
      if (seen.length) parts.push("root tips: " + seen.join(", "));
    }
    return parts.join("; ");
  }

  /* ---- the drawing ---- */

  function draw(facts, options) {
    const asked = Object.assign({ form: "small", exaggerate: false, width: 120, height: 150, id: "cut", length: (mm) => Math.round(mm) + " mm" }, options);
    const small = asked.form !== "large";
    const build = wicking(facts.build);
    const frame = frameOf(build, asked);
    const line = lineOf(frame, facts);
    const id = asked.id;
    const next = generator(seedOf(JSON.stringify(facts.build.layers) + JSON.stringify(facts.build.pot)));
    const grains = mediumPaths(frame, build, line, !small, next);
    const inside = outline(frame, frame.potHalf, frame.bottom, frame.surface);
    const wide = asked.width;
    const rect = (name, from, to) => '<clipPath id="' + id + name + '"><rect x="0" y="' + px(from) + '" width="' + px(wide) + '" height="' + px(Math.max(0, to - from)) + '"/></clipPath>';
    const dry_until = Math.max(0, Math.min(frame.height, line.dry_until));
    const moist_from = Math.max(0, Math.min(frame.height, line.moist_from));
    const unknown = line.kind === "unknown";
    const banded = line.kind === "band";
    const group = (side, clip) => {
      const tones = Object.keys(grains[side]);
      if (!tones.length) return "";
      return '<g clip-path="url(#' + id + clip + ')">' + tones.map((tone) => '<path class="cut-' + (unknown ? "open" : side) + " cut-tone-" + tone + '" d="' + grains[side][tone] + '"/>').join("") + "</g>";
    };
    return '<svg class="cut cut-' + asked.form + '" viewBox="0 0 ' + px(asked.width) + " " + px(frame.height) + '" role="img" aria-label="' + escape(describe(facts, asked.length)) + '">' +
      "<defs>" +
      '<clipPath id="' + id + '-in"><path d="' + inside + '"/></clipPath>' +
      /* Only what this drawing refers to: a wall of pots is laid out again with every node. */
      (unknown ? rect("-b", 0, frame.height) : rect("-d", 0, dry_until) + rect("-m", moist_from, frame.height)) +
      (banded ? rect("-b", dry_until, moist_from) + '<linearGradient id="' + id + '-w" x1="0" y1="0" x2="0" y2="1"><stop class="cut-stop-dry" offset="0"/><stop class="cut-stop-moist" offset="1"/></linearGradient>' : "") +
      (known(facts.level_mm) ? "" : '<pattern id="' + id + '-h" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path class="cut-hatch" d="M0 0V7"/></pattern>') +
      "</defs>" +
      '<path class="cut-vessel-back" d="' + outline(frame, frame.vesselHalf, 0, frame.vessel_top) + '"/>' +
      water(frame, facts, id) +
      '<path class="cut-pot-back" d="' + outline(frame, frame.potHalf, frame.bottom, frame.rim) + '"/>' +
      shoot(frame, asked.form) +
      '<g clip-path="url(#' + id + '-in)">' +
      '<path class="' + (unknown ? "cut-ground-unknown" : "cut-ground-dry") + '" d="' + inside + '"/>' +
      (unknown ? "" : '<rect class="cut-ground-moist" x="0" y="' + px(moist_from) + '" width="' + px(wide) + '" height="' + px(frame.height) + '"/>') +
      (banded ? '<rect fill="url(#' + id + '-w)" x="0" y="' + px(dry_until) + '" width="' + px(wide) + '" height="' + px(Math.max(0, moist_from - dry_until)) + '"/>' : "") +
      group("dry", "-d") + group("between", "-b") + group("moist", "-m") +
      (small || unknown ? "" : '<g clip-path="url(#' + id + '-d)"><path class="cut-mark-dry" d="' + grains.dryMarks + '"/></g><g clip-path="url(#' + id + '-m)"><path class="cut-mark-moist" d="' + grains.moistMarks + '"/></g>') +
      bandWash(frame, line) +
      "</g>" +
      coverPath(frame, next) +
      wick(frame, facts.build) +
      waterFront(frame, facts) +
      potWall(frame, facts.build, small) +
      vesselWall(frame, facts.build) +
      roots(frame, facts, line, asked.form, next) +
      dryLine(frame, facts, line, small) +
      (small ? "" : ticks(frame, facts, asked.length) + words(frame, build, facts, line, asked.length)) +
      "</svg>";
  }

  root.dryline = Object.assign(root.dryline || {}, { section: { draw } });
})(typeof window === "undefined" ? globalThis : window);
