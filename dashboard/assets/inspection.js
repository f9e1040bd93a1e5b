/* The tiles of the three-tap inspection: what each says of the dry layer or of the root tips, and its drawing. A depth
   tile is a cut through the top of the medium, true to scale: sand where it is dry for sure, stripes where it may be,
   teal where it is moist. Owns these words and drawings; knows no pot and sends nothing. */
(function (root) {
  "use strict";

  const SHOWN_MM = 60;
  const DEPTHS = [
    { words: "damp at the top", note: { how: "damp_at_top", dry_layer_low_mm: 0, dry_layer_high_mm: 0 } },
    { words: "damp under one stone", note: { how: "one_stone", dry_layer_low_mm: 3, dry_layer_high_mm: 10 } },
    { words: "damp at the fingertip", note: { how: "fingertip", dry_layer_low_mm: 10, dry_layer_high_mm: 20 } },
    { words: "damp at the first joint", note: { how: "fingertip", dry_layer_low_mm: 20, dry_layer_high_mm: 30 } },
    { words: "damp below the joint", note: { how: "deeper", dry_layer_low_mm: 30, dry_layer_high_mm: 45 } },
    { words: "dry as deep as I looked", note: { how: "deeper", dry_layer_low_mm: 45 } },
    { words: "could not see", note: { how: "cannot_see" } },
  ];
  const TIPS = [
    { words: "growing", note: { tips_growing: 1 }, draw: "growing" },
    { words: "new tips", note: { tips_new: 1 }, draw: "new" },
    { words: "stalled", note: { tips_stalled: 1 }, draw: "stalled" },
    { words: "dried, papery", note: { tips_dried: 1 }, draw: "dried" },
    { words: "rotted, soft", note: { tips_rotted: 1 }, draw: "rotted" },
    { words: "not yet in the medium", note: { detail: { tips_not_in_medium: true } }, draw: "outside" },
    { words: "plant is resting", note: { detail: { resting: true } }, draw: "resting" },
    { words: "did not look", note: {}, draw: "none" },
  ];

  const W = 92;
  const H = 66;
  const TOP = 8;
  const MM = (H - TOP) / SHOWN_MM;

  /* Stones of the same size in the same places on every tile: only dry and moist differ. */
  function stones(from, to, dry) {
    let drawn = "";
    for (let row = 0; row < 7; row++) {
      const y = TOP + 4 + row * 8.6;
      if (y < from || y >= to) continue;
      for (let n = 0; n < 9; n++) {
        const x = 4 + n * 10.4 + (row % 2) * 5;
        drawn += '<ellipse cx="' + x.toFixed(1) + '" cy="' + y.toFixed(1) + '" rx="4.3" ry="3.4" class="' + (dry ? "in-dry" : "in-moist") + '"/>';
      }
    }
    return drawn;
  }

  function depth(note) {
    if (note.how === "cannot_see") return '<svg class="in-cut" viewBox="0 0 ' + W + " " + H + '" aria-hidden="true"><rect x="2" y="' + TOP + '" width="' + (W - 4) + '" height="' + (H - TOP - 2) + '" class="in-unseen"/></svg>';
    const low = TOP + note.dry_layer_low_mm * MM;
    const high = note.dry_layer_high_mm === undefined ? H : TOP + note.dry_layer_high_mm * MM;
    return '<svg class="in-cut" viewBox="0 0 ' + W + " " + H + '" aria-hidden="true">' +
      '<rect x="0" y="' + TOP + '" width="' + W + '" height="' + (low - TOP) + '" class="in-sand"/>' +
      '<rect x="0" y="' + high + '" width="' + W + '" height="' + Math.max(0, H - high) + '" class="in-teal"/>' +
      stones(TOP, low, true) + stones(high, H, false) +
      (high > low ? '<g class="in-may">' + Array.from({ length: 24 }, (_, n) => '<path d="M' + (n * 8 - 60) + " " + high + "L" + (n * 8 - 60 + (high - low)) + " " + low + '"/>').join("") + "</g>" : "") +
      (low > TOP ? '<path d="M0 ' + low + "H" + W + '" class="in-line"/>' : "") +
      (high < H ? '<path d="M0 ' + high + "H" + W + '" class="in-line"/>' : "") +
      '<path d="M0 ' + TOP + "H" + W + '" class="in-surface"/></svg>';
  }

  const ROOT = "M46 0C46 16 40 20 42 34";
  const DRAWN = {
    growing: '<path d="' + ROOT + 'C43 44 48 48 47 60" class="in-root"/><path d="M47.4 49C47.8 53 47.6 57 47 62" class="in-tip"/>',
    new: '<path d="M46 0C46 12 40 16 42 26" class="in-root"/><path d="M42 26C30 32 26 40 24 50" class="in-root in-thin"/><path d="M25 43L23.6 52" class="in-tip"/><path d="M42 26C54 32 60 38 62 48" class="in-root in-thin"/><path d="M61 41L62.6 50" class="in-tip"/>',
    stalled: '<path d="' + ROOT + '" class="in-root"/><path d="M33 38H52" class="in-stop"/>',
    dried: '<path d="M46 0C46 12 41 16 42 24" class="in-root"/><path d="M42 24L45 31L39 37L45 43L40 50L43 57" class="in-papery"/>',
    rotted: '<path d="M46 0C46 12 41 16 42 24" class="in-root"/><path d="M42 24C43 36 50 42 46 58" class="in-rot"/>',
    outside: '<path d="M0 36H92" class="in-surface"/><path d="M46 0C46 8 42 12 43 22" class="in-root"/><path d="M42.6 16L43.2 26" class="in-tip"/>',
    resting: '<path d="' + ROOT + 'C43 44 46 46 46 52" class="in-root"/><circle cx="46" cy="54" r="5" class="in-cap"/>',
    none: '<rect x="2" y="4" width="88" height="58" class="in-unseen"/>',
  };

  function tip(name) {
    return '<svg class="in-cut" viewBox="0 0 ' + W + " " + H + '" aria-hidden="true">' + DRAWN[name] + "</svg>";
  }

  root.dryline = Object.assign(root.dryline || {}, { inspection: { DEPTHS, TIPS, depth, tip } });
})(window);
