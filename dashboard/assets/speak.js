/* Numbers, times and short words as people read them. Owns units of display and wording; knows no page and no node. */
(function (root) {
  "use strict";

  const known = (value) => typeof value === "number" && isFinite(value);
  const DASH = "–";
  const NONE = "—";

  /* What a need is called from three metres away, and near by. */
  const NEEDS = {
    fill: { far: "fill", near: "fill it" },
    too_dry: { far: "dry", near: "too dry" },
    too_wet: { far: "wet", near: "too wet" },
    drinks_less: { far: "look", near: "drinks less" },
    follow_up: { far: "look", near: "look again" },
    look: { far: "look", near: "look at it" },
    too_cold: { far: "cold", near: "too cold" },
    too_hot: { far: "hot", near: "too hot" },
    sensor_silent: { far: "silent", near: "sensor silent" },
    sensor_failed: { far: "failed", near: "sensor failed" },
    battery_low: { far: "battery", near: "battery low" },
    humidity_held: { far: "sensor", near: "humidity stuck high" },
  };
  const OF_SENSORS = ["sensor_silent", "sensor_failed", "battery_low", "humidity_held"];
  const RESTS = {
    measured: "measured: this pot's own sensor or notes",
    borrowed: "borrowed: from pots like it",
    guessed: "guessed: from how it is built",
  };

  function one(value) { return value.toFixed(1); }

  function temperature(c, units) {
    if (!known(c)) return NONE;
    return units === "us" ? Math.round(c * 1.8 + 32) + " °F" : one(c) + " °C";
  }

  function length(mm, units) {
    if (!known(mm)) return NONE;
    return units === "us" ? (mm / 25.4).toFixed(1) + " in" : Math.round(mm) + " mm";
  }

  function volume(ml, units) {
    if (!known(ml)) return NONE;
    return units === "us" ? one(ml / 29.5735) + " fl oz" : Math.round(ml) + " mL";
  }

  /* Words of our own, such as those of an option ("pebbles 20 mm"), with their lengths in the grower's units. */
  function option(change, units) { return change.replace(/(\d+) mm\b/g, (_, mm) => length(Number(mm), units)); }

  function rate(ml_per_day, units) {
    if (!known(ml_per_day)) return NONE;
    if (units === "us") return (ml_per_day / 29.5735).toFixed(2) + " fl oz/day";
    return (ml_per_day < 10 ? one(ml_per_day) : Math.round(ml_per_day)) + " mL/day";
  }

  function dryAir(kpa) { return known(kpa) ? kpa.toFixed(2) : NONE; }

  /* A range in whole days; under a day it says so, beyond thirty it stops counting. */
  function days(left) {
    if (!left || !known(left.p10) || !known(left.p90)) return NONE;
    const low = Math.max(0, Math.floor(left.p10));
    const high = Math.max(0, Math.round(left.p90));
    if (low >= 30) return "30+";
    if (high < 1) return "<1";
    if (high > 30) return low + "+";
    return low >= high ? String(high) : low + DASH + high;
  }

  function zoned(ms, zone, parts) {
    try {
      return new Intl.DateTimeFormat("en-GB", Object.assign({ timeZone: zone || "UTC" }, parts)).format(new Date(ms));
    } catch (unknown_zone) {
      return new Intl.DateTimeFormat("en-GB", Object.assign({ timeZone: "UTC" }, parts)).format(new Date(ms));
    }
  }

  function clock(ms, zone) { return zoned(ms, zone, { hour: "2-digit", minute: "2-digit", hour12: false }); }
  function day(ms, zone) { return zoned(ms, zone, { day: "numeric", month: "short" }); }

  /* 14:05 today, else with the day; the month is a word, so no order of digits can mislead. */
  function since(ms, now_ms, zone) {
    if (!known(ms)) return NONE;
    return day(ms, zone) === day(now_ms, zone) ? clock(ms, zone) : day(ms, zone) + " " + clock(ms, zone);
  }

  function age(ms) {
    const minutes = Math.max(0, Math.round(ms / 60000));
    if (minutes < 90) return minutes + " min";
    const hours = Math.round(minutes / 60);
    return hours < 48 ? hours + " h" : Math.round(hours / 24) + " days";
  }

  function tips(seen) {
    return seen ? ["growing", "stalled", "dried", "rotted", "new"].filter((one) => seen[one] > 0).map((one) => seen[one] + " " + one).join(", ") : "";
  }

  function count(n, noun) { return n + " " + noun + (n === 1 ? "" : "s"); }

  function escape(text) {
    return String(text).replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;").replace(/"/g, "&quot;").replace(/'/g, "&#39;");
  }

  root.dryline = Object.assign(root.dryline || {}, {
    speak: { known, temperature, length, option, volume, rate, dryAir, days, clock, day, since, age, tips, count, escape, NEEDS, OF_SENSORS, RESTS, NONE },
  });
})(window);
