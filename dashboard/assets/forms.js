/* The forms of every page, from plain descriptions (`dashboard/pages/forms.py`): labelled fields, the fault beside its
   field, big tiles, display units, and the bar that offers to undo for ten seconds. Owns how a form is drawn, read
   and sent; knows no page and no kind of change. */
(function (root) {
  "use strict";

  const UNDO_MS = 10000;
  const TILES = 8; /* more words than that stand in a list */
  const IN = { mm: ["in", 25.4], cm: ["in", 2.54], mm2: ["in²", 645.16], ml: ["fl oz", 29.5735], celsius: ["°F", 5 / 9, 32] }; /* unit, how much one is, where zero stands */
  const UNITS = { ml: "mL", celsius: "°C", ms_per_cm: "mS/cm", g_per_l: "g/L", g: "g", days: "days", cm: "cm", mm2: "mm²", s: "s" };
  const MOST = { mm: 2000, cm: 100, ml: 100000, mm2: 10000000, g: 100000 }; /* beyond that no pot, filling or mass is read */
  let numbered = 0;

  const escape = (text) => root.dryline.speak.escape(text);

  /* ---- units of display ---- */

  function unitOf(field, units) {
    if (!field.unit) return "";
    if (units === "us" && IN[field.unit]) return IN[field.unit][0];
    return UNITS[field.unit] || field.unit;
  }

  function shown(value, field, units) {
    if (value === undefined || value === null || value === "") return "";
    if (typeof value !== "number") return String(value);
    const us = units === "us" && IN[field.unit];
    return String(us ? Math.round((value / us[1] + (us[2] || 0)) * 1000) / 1000 : value);
  }

  function numberOf(text, field, units) {
    const plain = text.trim().replace(/\s/g, "").replace(/^([-+]?\d+),(\d+)$/, "$1.$2");
    const value = Number(plain);
    if (!/^[-+]?(\d+\.?\d*|\.\d+)$/.test(plain) || !isFinite(value)) throw new Error("“" + text.trim() + "” is not a number.");
    if (field.sort === "count" && !Number.isInteger(value)) throw new Error("“" + text.trim() + "” is not a whole number.");
    const us = units === "us" && IN[field.unit];
    const metric = us ? Math.round((value - (us[2] || 0)) * us[1] * 100) / 100 : value;
    const most = MOST[field.unit];
    if (us && most && value < 0) throw new Error("“" + text.trim() + "” is too little: 0 " + unitOf(field, units) + " is the least.");
    if (most && metric > most) throw new Error("“" + text.trim() + "” is too much: " + (us ? Math.round(most / us[1]) : most) + " " + unitOf(field, units) + " is the most.");
    return metric;
  }

  /* ---- paths into a body: `detail.change.vents.count`, `notes.0.text` ---- */

  function at(body, path) {
    return path.split(".").reduce((inner, step) => (inner === undefined || inner === null ? undefined : inner[step]), body);
  }

  function set(body, path, value) {
    const steps = path.split(".");
    steps.slice(0, -1).forEach((step, n) => {
      if (typeof body[step] !== "object" || body[step] === null) body[step] = /^\d+$/.test(steps[n + 1]) ? [] : {};
      body = body[step];
    });
    body[steps[steps.length - 1]] = value;
  }

  /* ---- drawing ---- */

  function html(spec) {
    const id = "form" + ++numbered;
    const fields = spec.fields.map((field, n) => fieldHtml(field, at(spec.values || {}, field.key), id + "-" + n, spec.units)).join("");
    return '<form class="form" novalidate id="' + id + '">' + (spec.says ? '<p class="form-says">' + escape(spec.says) + "</p>" : "") + fields +
      '<p class="form-fault" role="alert" hidden></p><div class="form-end"><button type="submit" class="door door-first">' + escape(spec.button || "Keep") + "</button>" +
      (spec.cancel ? '<a class="door" data-in href="' + escape(spec.cancel) + '">' + escape(spec.cancel_words || "Leave") + "</a>" : "") + "</div></form>";
  }

  function fieldHtml(field, value, id, units) {
    const given = value === undefined ? field.value : value;
    const tail = (field.hint ? '<p class="field-hint" id="' + id + '-hint">' + escape(field.hint) + "</p>" : "") + '<p class="field-fault" id="' + id + '-fault" role="alert" hidden></p>';
    const described = ' aria-describedby="' + (field.hint ? id + "-hint " : "") + id + '-fault"';
    const open = '<div class="field field-' + field.sort + '" data-field="' + escape(field.key) + '">';
    const grouped = (inner) => open + "<fieldset" + described + "><legend>" + labelHtml(field, units) + "</legend>" + inner + "</fieldset>" + tail + "</div>";
    if (field.sort === "heading") return '<h3 class="form-part" data-field="' + escape(field.key) + '">' + escape(field.label) + "</h3>";
    if (field.sort === "caution") return '<p class="caution" data-field="' + escape(field.key) + '">' + escape(field.label) + "</p>";
    if (field.sort === "flag") {
      return open + '<label class="tick"><input type="checkbox" name="' + escape(field.key) + '"' + (given === true ? " checked" : "") + described + "><span>" + escape(field.label) + "</span></label>" + tail + "</div>";
    }
    if (field.sort === "choice" && field.words.length <= TILES) return grouped('<div class="tiles">' + field.words.map((word, n) => tileHtml(field, word, given, id + "-" + n, "radio")).join("") + "</div>");
    if (field.sort === "several") return grouped('<div class="tiles">' + field.words.map((word, n) => tileHtml(field, word, given, id + "-" + n, "checkbox")).join("") + "</div>");
    if (field.sort === "pots") return grouped(field.shelves.map((shelf, s) => potsHtml(field, shelf, given, id + "-" + s)).join(""));
    if (field.sort === "layers") return grouped('<div class="layers" data-layers>' + (given && given.length ? given : [{}]).map((layer, n) => layerHtml(field, layer, n, units)).join("") + '</div><button type="button" class="door" data-add-layer>Another layer below</button>');
    if (field.sort === "mix") return grouped(mixHtml(field, given));
    if (field.sort === "photos") {
      return grouped('<div class="photo-ways"><label class="door">Take a photo<input type="file" accept="image/*" capture="environment" data-photo></label><label class="door">Choose photos<input type="file" accept="image/*" multiple data-photo></label></div><div class="photo-new" data-photos></div>');
    }
    let control;
    if (field.sort === "choice") {
      control = '<select id="' + id + '" name="' + escape(field.key) + '"' + described + ">" + (field.needed && given !== undefined ? "" : '<option value="">' + escape(field.none || (field.needed ? "choose" : "not said")) + "</option>") +
        field.words.map((word) => '<option value="' + escape(word[0]) + '"' + (same(given, word[0]) ? " selected" : "") + ">" + escape(word[1]) + "</option>").join("") + "</select>";
    } else if (field.sort === "lines") {
      control = '<textarea id="' + id + '" name="' + escape(field.key) + '" rows="3"' + described + ">" + escape(given || "") + "</textarea>";
    } else {
      const type = { time: "datetime-local", date: "date", password: "password" }[field.sort] || "text";
      const mode = field.sort === "number" ? ' inputmode="decimal"' : field.sort === "count" ? ' inputmode="numeric"' : "";
      control = '<input id="' + id + '" name="' + escape(field.key) + '" type="' + type + '"' + mode + described + (field.needed ? " required" : "") + ' autocomplete="' + (field.autocomplete || "off") + '" value="' + escape(shown(given, field, units)) + '"' +
        (field.words ? ' list="' + id + '-words"' : "") + ">" + (field.words ? '<datalist id="' + id + '-words">' + field.words.map((word) => '<option value="' + escape(Array.isArray(word) ? word[0] : word) + '">').join("") + "</datalist>" : "");
      if (field.sort === "time" || field.sort === "date") control += '<output class="field-day" for="' + id + '"></output>';
    }
    return open + '<label for="' + id + '">' + labelHtml(field, units) + "</label>" + control + tail + "</div>";
  }

  function labelHtml(field, units) {
    const unit = unitOf(field, units);
    return escape(field.label) + (unit ? " <small>" + escape(unit) + "</small>" : "");
  }

  /* A key whose value may be a word or a table: the word "=" stands for the table in the fields below. */
  function same(given, word) {
    if (given === undefined || given === null) return false;
    if (word === "=") return typeof given === "object";
    return String(given) === String(word);
  }

  function tileHtml(field, word, given, id, type) {
    const on = type === "checkbox" ? (given || []).includes(word[0]) : same(given, word[0]);
    return '<label class="tile"><input type="' + type + '" name="' + escape(field.key) + '" id="' + id + '" value="' + escape(word[0]) + '"' + (on ? " checked" : "") + "><span>" + (word[2] || "") + escape(word[1]) + "</span></label>";
  }

  function potsHtml(field, shelf, given, id) {
    return '<div class="pots-of"><div class="pots-shelf">' + escape(shelf.label) + ' <button type="button" class="plain-button" data-all>all of this shelf</button></div><div class="tiles">' +
      shelf.pots.map((pot, n) => tileHtml(field, [pot, pot], given, id + "-" + n, "checkbox")).join("") + "</div></div>";
  }

  const SHARES = [["mostly", "mostly"], ["half", "half"], ["some", "some"], ["little", "a little"]];

  function mixHtml(field, mix) {
    const known = mix && typeof mix === "object" ? mix : {};
    const exact = Object.values(known).some((share) => typeof share === "number");
    return '<div class="mix' + (exact ? " mix-exact" : "") + '" data-mix>' + '<label class="tick mix-how"><input type="checkbox" data-exact' + (exact ? " checked" : "") + "><span>I know the shares in per cent</span></label>" +
      field.media.map((medium) => '<label class="medium"><span>' + escape(medium[1]) + '</span><select data-share="' + escape(medium[0]) + '"><option value="">none</option>' + SHARES.map((share) => '<option value="' + share[0] + '"' + (known[medium[0]] === share[0] ? " selected" : "") + ">" + share[1] + "</option>").join("") + '</select><input inputmode="decimal" type="text" data-percent="' + escape(medium[0]) + '" aria-label="' + escape(medium[1]) + ', per cent" value="' + (typeof known[medium[0]] === "number" ? Math.round(known[medium[0]] * 1000) / 10 : "") + '"></label>').join("") + "</div>";
  }

  function layerHtml(field, layer, n, units) {
    const unit = unitOf({ unit: "mm" }, units);
    const grain = typeof layer.grain === "number" ? "" : layer.grain || "";
    return '<fieldset class="layer" data-layer><legend>' + (n ? "layer " + (n + 1) + ", below" : "layer 1, at the top") + '</legend><div class="layer-facts"><label>thick <small>' + unit + '</small><input type="text" inputmode="decimal" data-thick value="' + escape(shown(layer.thickness_mm, { unit: "mm" }, units)) + '"></label><label>grain<select data-grain><option value="">not said</option>' +
      ["fine", "medium", "coarse"].map((word) => "<option" + (word === grain ? " selected" : "") + ">" + word + "</option>").join("") + '</select></label><label>or grain size <small>' + unit + '</small><input type="text" inputmode="decimal" data-grain-mm value="' + (typeof layer.grain === "number" ? escape(shown(layer.grain, { unit: "mm" }, units)) : "") + '"></label>' +
      (n ? '<button type="button" class="plain-button" data-drop-layer>take this layer out</button>' : "") + "</div>" + mixHtml(field, layer.mix) + "</fieldset>";
  }

  /* ---- reading ---- */

  function mixOf(node) {
    const mix = {};
    if (node.querySelector("[data-exact]").checked) {
      node.querySelectorAll("[data-percent]").forEach((input) => {
        if (input.value.trim()) mix[input.dataset.percent] = Math.round(numberOf(input.value, {}, "metric") * 10) / 1000;
      });
    } else {
      node.querySelectorAll("[data-share]").forEach((select) => { if (select.value) mix[select.dataset.share] = select.value; });
    }
    return Object.keys(mix).length ? mix : undefined;
  }

  function layersOf(node, units) {
    const layers = Array.from(node.querySelectorAll("[data-layer]")).map((one) => {
      const layer = {};
      const thick = one.querySelector("[data-thick]").value;
      const size = one.querySelector("[data-grain-mm]").value;
      if (thick.trim()) layer.thickness_mm = numberOf(thick, { unit: "mm" }, units);
      if (size.trim()) layer.grain = numberOf(size, { unit: "mm" }, units);
      else if (one.querySelector("[data-grain]").value) layer.grain = one.querySelector("[data-grain]").value;
      const mix = mixOf(one.querySelector("[data-mix]"));
      if (mix) layer.mix = mix;
      return layer;
    }).filter((layer) => Object.keys(layer).length);
    return layers.length ? layers : undefined;
  }

  function wordOf(field, text) {
    const found = (field.words || []).find((word) => String(word[0]) === text);
    return found ? found[0] : text;
  }

  function valueOf(node, field, units) {
    const named = () => Array.from(node.querySelectorAll("input[name], select[name], textarea[name]"));
    if (field.sort === "flag") return node.querySelector("input").checked ? true : undefined;
    if (field.sort === "layers") return layersOf(node, units);
    if (field.sort === "mix") return mixOf(node.querySelector("[data-mix]"));
    if (field.sort === "several" || field.sort === "pots") {
      const ticked = named().filter((input) => input.checked).map((input) => input.value);
      return ticked.length ? ticked : undefined;
    }
    if (field.sort === "choice") {
      const word = named().map((input) => (input.type === "radio" ? (input.checked ? input.value : "") : input.value)).find((text) => text);
      return word === undefined ? undefined : wordOf(field, word);
    }
    const text = named()[0].value;
    if (!text.trim()) return undefined;
    if (field.sort === "number" || field.sort === "count") return numberOf(text, field, units);
    if (field.sort === "list") return text.split(/[,\n]/).map((one) => one.trim()).filter(Boolean);
    return text;
  }

  /* The body of a form, and what is wrong with it before anybody is asked. */
  function read(node, spec) {
    const body = JSON.parse(JSON.stringify(spec.fixed || {}));
    const faults = [];
    spec.fields.forEach((field) => {
      if (["heading", "caution", "photos"].includes(field.sort)) return;
      const place = fieldNode(node, field.key);
      if (!place || place.hidden) return;
      let value;
      try {
        value = valueOf(place, field, spec.units);
      } catch (wrong) {
        faults.push({ where: field.key, says: wrong.message });
        return;
      }
      const least = field.not_below ? at(body, (spec.under ? spec.under + "." : "") + field.not_below) : undefined;
      if (typeof least === "number" && typeof value === "number" && value < least) faults.push({ where: field.key, says: "The high end is below the low one." });
      if (value === undefined && field.needed) faults.push({ where: field.key, says: field.missing || "This is needed." });
      if (value === undefined || value === "=") return;
      set(body, (spec.under ? spec.under + "." : "") + field.key, value);
    });
    return { body, faults };
  }

  /* ---- faults ---- */

  function fieldNode(node, key) {
    return Array.from(node.querySelectorAll("[data-field]")).find((one) => one.dataset.field === key) || null;
  }

  /* `pot “window left”, pot.size_cm` -> `setup.pot.size_cm`: whose fault it is stands first and is no field. */
  function fieldAt(spec, where) {
    const parts = where.replace(/\[\d+\]/g, "").split(/[,:]\s+/);
    for (let n = 0; n < parts.length; n++) {
      const key = keyAt(spec, parts.slice(n).join("."));
      if (key) return key;
    }
    return undefined;
  }

  /* `detail.change.layers.mix` -> `detail.change.layers`: the field whose key is the longest beginning or end, with or
     without its own first step (`layers.grain` -> `setup.layers`). */
  function keyAt(spec, where) {
    const path = where.split(".").map((step) => step.trim()).filter(Boolean).join(".");
    const keys = spec.fields.map((field) => field.key).filter(Boolean);
    const fits = keys.filter((key) => path === key || path.startsWith(key + ".") || path.startsWith(key.slice(key.indexOf(".") + 1) + ".") || path.endsWith("." + key) || path.includes("." + key + ".") || key.endsWith("." + path) || key.startsWith(path + "."));
    return path ? fits.sort((a, b) => (path === b) - (path === a) || b.length - a.length)[0] : undefined;
  }

  function sentence(says) { return says.charAt(0).toUpperCase() + says.slice(1); }

  function showFaults(node, spec, faults) {
    node.querySelectorAll(".field-fault, .form-fault").forEach((fault) => { fault.hidden = true; fault.textContent = ""; });
    node.querySelectorAll("[aria-invalid]").forEach((control) => control.removeAttribute("aria-invalid"));
    let first = null;
    faults.forEach((fault) => {
      const key = fieldAt(spec, fault.where || "");
      const place = key && fieldNode(node, key);
      const beside = place && !place.hidden ? place.querySelector(".field-fault") : null;
      const told = beside || node.querySelector(".form-fault");
      told.hidden = false;
      told.textContent += (told.textContent ? " " : "") + sentence(fault.says);
      if (!beside) return;
      const control = place.querySelector("input, select, textarea");
      if (control) control.setAttribute("aria-invalid", "true");
      first = first || control;
    });
    if (first) first.focus();
    else if (faults.length) node.querySelector(".form-fault").scrollIntoView({ block: "nearest" });
  }

  /* ---- one form, alive ---- */

  function mount(node, spec) {
    node.innerHTML = html(spec);
    const form = node.querySelector("form");
    const photos = [];
    const settle = () => follow(form, spec);
    settle();
    form.addEventListener("change", (event) => {
      if (event.target.matches("[data-photo]")) takeIn(form, spec, event.target, photos);
      if (event.target.matches("[data-exact]")) event.target.closest("[data-mix]").classList.toggle("mix-exact", event.target.checked);
      settle();
    });
    form.addEventListener("click", (event) => {
      const tile = event.target.closest("[data-all]");
      if (tile) {
        const boxes = Array.from(tile.closest(".pots-of").querySelectorAll("input"));
        const on = !boxes.every((box) => box.checked);
        boxes.forEach((box) => { box.checked = on; });
      }
      if (event.target.matches("[data-add-layer]")) {
        const field = spec.fields.find((one) => one.key === event.target.closest("[data-field]").dataset.field);
        const layers = event.target.parentElement.querySelector("[data-layers]");
        layers.insertAdjacentHTML("beforeend", layerHtml(field, {}, layers.children.length, spec.units));
        layers.lastElementChild.querySelector("input").focus();
      }
      if (event.target.matches("[data-drop-layer]")) event.target.closest("[data-layer]").remove();
      const shot = event.target.closest("[data-drop-photo]");
      if (shot) {
        photos.splice(Array.from(shot.parentElement.children).indexOf(shot), 1);
        shot.remove();
      }
    });
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const button = form.querySelector("[type=submit]");
      if (button.disabled) return;
      const { body, faults } = read(form, spec);
      if (!faults.length && spec.lacks) faults.push(...spec.lacks(body, photos));
      if (faults.length) { showFaults(form, spec, faults); return; }
      button.disabled = true;
      const ready = spec.prepare ? spec.prepare(body, photos) : body;
      const answer = spec.log ? await root.dryline.change.log(spec.change, ready, photos) : await root.dryline.change.send(spec.change, ready);
      button.disabled = false;
      if (answer.away) showFaults(form, spec, [{ where: "", says: "The server cannot be reached just now. Nothing was changed; what you wrote stands here until you try again." }]);
      else if (answer.faults) {
        showFaults(form, spec, answer.faults);
        node.dispatchEvent(new CustomEvent("dryline:refused", { bubbles: true, detail: answer.faults }));
      } else {
        showFaults(form, spec, []);
        told(answer);
        node.dispatchEvent(new CustomEvent("dryline:done", { bubbles: true, detail: { change: spec.change, body: ready, done: answer.done, kept: answer.kept } }));
        changed();
        const next = (answer.done && answer.done.go) || spec.go;
        if (next) root.dryline.go(next);
      }
    });
    return form;
  }

  /* Fields that depend on another's word come and go with it; a date is also said with its month as a word. */
  function follow(form, spec) {
    spec.fields.forEach((field) => {
      const place = fieldNode(form, field.key);
      if (!place) return;
      if (field.if) {
        const other = fieldNode(form, field.if[0]);
        const decider = spec.fields.find((one) => one.key === field.if[0]);
        let value;
        try { value = other && !other.hidden ? valueOf(other, decider, spec.units) : undefined; } catch (unreadable) { value = undefined; }
        place.hidden = !field.if[1].some((word) => String(word) === String(value));
      }
      const day = place.querySelector(".field-day");
      if (day) day.textContent = inWords(place.querySelector("input").value);
    });
  }

  function inWords(text) {
    const parts = /^(\d+)-(\d+)-(\d+)(?:T(\d+:\d+))?/.exec(text || "");
    if (!parts) return "";
    const day = new Date(Date.UTC(+parts[1], parts[2] - 1, +parts[3]));
    return new Intl.DateTimeFormat("en-GB", { timeZone: "UTC", weekday: "long", day: "numeric", month: "long", year: "numeric" }).format(day) + (parts[4] ? ", " + parts[4] : "");
  }

  /* ---- photos: made smaller here, so that several can be kept while the server is away ---- */

  const PHOTO_EDGE_PX = 1600;

  async function smaller(file) {
    const picture = await root.createImageBitmap(file);
    const scale = Math.min(1, PHOTO_EDGE_PX / Math.max(picture.width, picture.height));
    const canvas = root.document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    picture.close();
    return canvas.toDataURL("image/jpeg", 0.85);
  }

  async function takeIn(form, spec, input, photos) {
    const place = form.querySelector("[data-photos]");
    for (const file of Array.from(input.files)) {
      try {
        const photo = await smaller(file);
        photos.push(photo);
        place.insertAdjacentHTML("beforeend", '<button type="button" class="shot" data-drop-photo aria-label="Take this photo out"><img alt="" src="' + photo + '"></button>');
      } catch (unreadable) {
        const field = spec.fields.find((one) => one.sort === "photos");
        showFaults(form, spec, [{ where: field.key, says: "“" + file.name + "” is not a photo that can be read; take a JPEG, PNG or WebP." }]);
      }
    }
    input.value = "";
  }

  /* ---- what was done, and the way back ---- */

  let timer = 0;

  function bar(says, words, action) {
    let node = root.document.getElementById("undo");
    if (!node) {
      node = root.document.createElement("div");
      node.id = "undo";
      node.setAttribute("role", "status");
      root.document.body.append(node);
    }
    root.clearTimeout(timer);
    node.hidden = false;
    node.innerHTML = "<span>" + escape(says) + "</span>" + (action ? '<button type="button">' + escape(words) + "</button>" : "");
    const close = () => { node.hidden = true; node.innerHTML = ""; };
    if (action) node.querySelector("button").addEventListener("click", () => { root.clearTimeout(timer); close(); action(); });
    timer = root.setTimeout(close, UNDO_MS);
  }

  function say(says) { bar(says); }

  /* Offers for ten seconds to take back what was done. `back()` may answer {faults} or {away: true}. */
  function undo(says, back) {
    bar(says, "Undo", async () => {
      const answer = (await back()) || {};
      if (answer.away) undo("The server is away: it could not be taken back.", back);
      else if (answer.faults) say(sentence(answer.faults[0].says));
      else say("Taken back.");
      changed();
    });
  }

  /* Says what a change did, in the server's words, with its undo when it has one. */
  function told(answer) {
    const done = answer.done || {};
    if (answer.kept) undo("Kept on this device until the server is back.", () => root.dryline.change.take(answer.kept));
    else if (done.undo) undo(done.says || "Kept.", () => root.dryline.change.send(done.undo[0], done.undo[1]));
    else if (done.says) say(done.says);
  }

  /* A change by one tap: sends, says, tells the pages. */
  async function tap(name, body) {
    const answer = await root.dryline.change.send(name, body);
    if (answer.away) say("The server cannot be reached just now; nothing was changed.");
    else if (answer.faults) say(sentence(answer.faults.map((fault) => fault.says).join(" ")));
    else told(answer);
    if (answer.done) changed();
    return answer;
  }

  /* Pages that ask again when something was changed have the store `changed` among their inputs. */
  function changed() {
    if (root.document.getElementById("frame") && root.dash_clientside.set_props) root.dash_clientside.set_props("changed", { data: Date.now() });
    root.document.dispatchEvent(new CustomEvent("dryline:changed"));
  }

  /* Forms and buttons that a page laid out in Python: `data-form` holds the description, `data-tap` a change by one tap. */
  function mountAll() {
    root.document.querySelectorAll("[data-form]").forEach((node) => {
      const said = node.getAttribute("data-form");
      if (node.dryline_form === said) return;
      node.dryline_form = said;
      mount(node, JSON.parse(said));
    });
  }

  root.document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("[data-tap]");
    if (!button || button.disabled) return;
    const [name, body] = JSON.parse(button.getAttribute("data-tap"));
    button.disabled = true;
    tap(name, body).then(() => { button.disabled = false; });
  });

  root.dryline = Object.assign(root.dryline || {}, {
    forms: { html, mount, read, showFaults, at, set, numberOf, shown, unitOf, inWords, smaller },
    undo,
    say,
    told,
    tap,
    changed,
  });

  new MutationObserver(mountAll).observe(root.document.body, { childList: true, subtree: true, attributes: true, attributeFilter: ["data-form"] });
  mountAll();
})(window);
