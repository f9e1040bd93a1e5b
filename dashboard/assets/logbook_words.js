/* A note in words: what was seen and done, in the grower's units, its moment with the month as a word. Plain text in,
   plain text out; knows no node. */
(function (root) {
  "use strict";

  const HOW = { damp_at_top: "damp at the top", one_stone: "under a stone", fingertip: "at a fingertip", deeper: "looked deeper", cannot_see: "could not see" };
  const TIPS = ["growing", "new", "stalled", "dried", "rotted"];
  const SEEN = { tips_not_in_medium: "tips not yet in the medium", resting: "resting", root_hairs: "root hairs", mould: "mould", algae: "algae", salt_crust: "a crust of salt" };
  const PLAIN = {
    found: "found", level_before_mm: "level before", mass_before_g: "mass before", strength: "strength", grams_per_litre: "weighed in", ec_ms_per_cm: "EC", ph: "pH", product: "product",
    old_medium: "old medium", roots_kept: "roots kept", roots_lost: "roots lost", cleaned: "cleaned", against: "against", repeat_after_days: "repeat after", batch: "batch", grain: "grain", shelf: "on shelf",
    water_mm: "in water", days: "after", spikes: "spikes", cause: "because", into: "into", by: "by",
  };
  const OF = { level_before_mm: "mm", water_mm: "mm", mass_before_g: "g", grams_per_litre: "g/L", ec_ms_per_cm: "mS/cm", repeat_after_days: "days", days: "days" };
  const plain = (word) => String(word).replace(/_/g, " ");
  const known = (value) => value !== undefined && value !== null && value !== "";

  function length(mm, units) {
    return units === "us" ? String(Math.round((mm / 25.4) * 10) / 10) + " in" : Math.round(mm) + " mm";
  }

  function between(low, high, units) {
    if (!known(low) && !known(high)) return "";
    if (!known(high)) return "dry to " + length(low, units) + " or more";
    if (high === 0) return "moist to the top";
    if (!known(low) || low === high) return "dry to " + (known(low) ? "" : "at most ") + length(high, units);
    return "dry to " + length(low, units).replace(/ .*/, "") + "–" + length(high, units);
  }

  function mix(of) {
    if (!of || typeof of !== "object") return "";
    return Object.entries(of).map(([medium, share]) => (typeof share === "number" ? Math.round(share * 100) + " % " : share === "little" ? "a little " : share + " ") + plain(medium)).join(", ");
  }

  function value(one, units) {
    if (Array.isArray(one)) return one.map((part) => value(part, units)).join("; ");
    if (one && typeof one === "object") {
      return Object.entries(one).map(([key, part]) => {
        if (key === "mix") return mix(part);
        if (key === "kind") return plain(part) === "none" ? "none" : plain(part);
        if (part === true) return plain(key);
        if (part === false) return "";
        if (key.endsWith("_mm") && typeof part === "number") return plain(key.slice(0, -3)) + " " + length(part, units);
        if (key === "fill_ml") return "holds " + root.dryline.speak.volume(part, units);
        return plain(key) + " " + value(part, units);
      }).filter(Boolean).join(", ");
    }
    return plain(one);
  }

  const KEYS = { top_layer: "cover", vents: "holes", wick: "wick", shelf: "shelf", layers: "medium", pot: "pot", reservoir: "reservoir", gap: "gap", surface_height_mm: "surface height", surface_to_water_mm: "surface to water", headroom_mm: "headroom" };

  function change(of, units) {
    return Object.entries(of || {}).filter(([, one]) => known(one)).map(([key, one]) => (KEYS[key] || plain(key)) + ": " + (key.endsWith("_mm") && typeof one === "number" ? length(one, units) : value(one, units)));
  }

  /* What a note says, as short parts; its photos are for the page to show. */
  function parts(note, units, zone) {
    const speak = root.dryline.speak;
    const detail = note.detail || {};
    const said = [between(note.dry_layer_low_mm, note.dry_layer_high_mm, units)];
    if (note.how && !(note.how === "damp_at_top" && note.dry_layer_high_mm === 0)) said.push(HOW[note.how] || plain(note.how));
    const tips = TIPS.filter((state) => note["tips_" + state] > 0).map((state) => note["tips_" + state] + " " + state);
    if (tips.length) said.push("tips: " + tips.join(", "));
    Object.keys(SEEN).forEach((key) => { if (detail[key]) said.push(SEEN[key]); });
    if (known(note.amount_ml)) said.push(speak.volume(note.amount_ml, units));
    else if (note.kind === "refill") said.push("to the mark");
    if (known(note.level_mm)) said.push("level " + length(note.level_mm, units));
    if (known(note.mass_g)) said.push(Math.round(note.mass_g) + " g");
    if (note.kind === "column_test") {
      said.push(mix(detail.mix));
      const low = detail.damp_height_low_mm;
      const high = detail.damp_height_high_mm;
      if (known(low) || known(high)) said.push("damp up to " + [low, high].filter(known).map((mm) => length(mm, units)).join(" or at most "));
    }
    if (known(detail.until_ms)) said.push("until " + when(detail.until_ms, zone));
    Object.keys(PLAIN).forEach((key) => {
      if (!known(detail[key])) return;
      const told = OF[key] === "mm" ? length(detail[key], units) : (key === "strength" ? Math.round(detail[key] * 100) + " %" : value(detail[key], units)) + (OF[key] ? " " + OF[key] : "");
      said.push(PLAIN[key] + " " + told);
    });
    said.push(...change(detail.change, units));
    if (note.why) said.push("why: " + note.why);
    return said.filter(Boolean);
  }

  function zoned(ms, zone, how) {
    try {
      return new Intl.DateTimeFormat("en-GB", Object.assign({ timeZone: zone || "UTC" }, how)).format(new Date(ms));
    } catch (unknown_zone) {
      return new Intl.DateTimeFormat("en-GB", Object.assign({ timeZone: "UTC" }, how)).format(new Date(ms));
    }
  }

  function when(ms, zone) {
    return zoned(ms, zone, { weekday: "short", day: "numeric", month: "short", year: "numeric" }) + ", " + root.dryline.speak.clock(ms, zone);
  }

  function dayOf(ms, zone) { return zoned(ms, zone, { weekday: "short", day: "numeric", month: "short" }); }

  /* `2026-03-04T09:10`, as a date field holds it. */
  function local(ms, zone) {
    const of = {};
    let format;
    const how = { year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
    try { format = new Intl.DateTimeFormat("en-GB", Object.assign({ timeZone: zone || "UTC" }, how)); } catch (unknown_zone) { format = new Intl.DateTimeFormat("en-GB", Object.assign({ timeZone: "UTC" }, how)); }
    format.formatToParts(new Date(ms)).forEach((part) => { of[part.type] = part.value; });
    return of.year + "-" + of.month + "-" + of.day + "T" + of.hour + ":" + of.minute;
  }

  root.dryline = Object.assign(root.dryline || {}, { noteWords: { parts, between, when, dayOf, local, length } });
})(window);
