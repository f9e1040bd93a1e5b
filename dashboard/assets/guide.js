/* The cover guide's own nodes: the map with the option whose ground is shown, the sections of the pots, and the one
   button that logs an advice as done, which can be undone for ten seconds. Must not know how an answer is found. */
(function (root) {
  "use strict";

  const document = root.document;
  const ROOM = { tall: 0.8, most: 560, least: 320, beside: 560, buttons: 176, button: 44 };
  const LEGEND = [["moist", "seen moist"], ["dry", "seen dry, within reach of new tips"], ["too dry", "seen too dry"]];
  const ACROSS = [["holes", "holes"], ["air", "air movement"]];
  const shown = { facts: null, layer: null, shelf: null, across: "holes", width: 0 };

  function legend() {
    const mark = (seen) => '<svg viewBox="0 0 16 16" aria-hidden="true">' + root.dryline.map.point(8, 8, seen) + "</svg>";
    return '<p class="map-legend">' + LEGEND.map((row) => "<span>" + mark(row[0]) + row[1] + "</span>").join("") +
      '<span><i class="map-key-now"></i>a shelf over the last four weeks</span><span><i class="map-key-all"></i>over all its seasons; a rung a month</span><span><i class="map-key-lid"></i>its driest month</span></p>';
  }

  function layers(buttons, more) { return '<div class="map-layers' + more + '" role="group" aria-labelledby="map-ask">' + buttons + "</div>"; }

  function mapHtml(width) {
    const map = shown.facts.map && root.dryline.map.view(shown.facts.map, shown.across);
    const escape = root.dryline.speak.escape;
    if (!map || !map.shelves.some((shelf) => shelf.seasons.length)) return '<p class="guide-reason">The map needs the air of one shelf: a sensor, another shelf’s air, or <a data-in href="/note/air">spot checks</a>.</p>';
    const about = { pot: shown.facts.pot, shelf: shown.shelf, units: shown.facts.units };
    const choices = root.dryline.map.layers(map, about);
    if (!choices.includes(shown.layer)) shown.layer = choices[0];
    const wide = width >= ROOM.beside;
    const drawn = wide ? width - ROOM.buttons : width;
    const height = Math.max(ROOM.least, Math.min(ROOM.most, drawn * ROOM.tall), wide ? choices.length * ROOM.button : 0);
    const options = Object.assign({ layer: shown.layer, width: drawn, height }, about);
    if (wide) options.beside = root.dryline.map.order(map, options);
    const buttons = (options.beside || choices).map((change) => '<button type="button" data-layer="' + escape(change) + '" aria-pressed="' + (change === shown.layer) + '">' + escape(root.dryline.speak.option(change, shown.facts.units)) + "</button>").join("");
    const whose = shown.facts.pot ? "this pot" : shown.shelf ? "a middling pot on " + escape(shown.shelf) : "a middling pot";
    const rows = root.dryline.map.says(map, options).map((one) => (shown.facts.pot ? "<li>" + escape(one.says) + "</li>" :
      '<li><button type="button" data-map-shelf="' + escape(one.shelf) + '" aria-pressed="' + (one.shelf === shown.shelf) + '">' + escape(one.shelf) + "</button><span>" + escape(one.says) + "</span></li>"));
    const axes = shown.facts.map.movements ? '<div class="map-across" role="group" aria-label="Dry air against"><span>Dry air against</span>' + ACROSS.map((one) => '<button type="button" data-across="' + one[0] + '" aria-pressed="' + (one[0] === shown.across) + '">' + one[1] + "</button>").join("") + "</div>" : "";
    return axes + '<p class="map-ask" id="map-ask">Sand becomes too dry, blue stays moist enough, hatched is not known: drawn for ' + whose + "</p>" +
      (wide ? '<div class="map-pair">' + root.dryline.map.draw(map, options) + layers(buttons, " map-layers-beside") + "</div>" : layers(buttons, "") + root.dryline.map.draw(map, options)) +
      '<ul class="map-says" aria-live="polite">' + rows.join("") + "</ul>" + legend();
  }

  function paintMap() {
    const place = document.getElementById("guide-map");
    if (!place || !shown.facts) return;
    const width = Math.max(280, place.clientWidth);
    shown.width = width;
    const had = place.contains(document.activeElement) ? document.activeElement : null;
    const same = (one) => ["data-layer", "data-map-shelf", "data-across"].every((name) => one.getAttribute(name) === had.getAttribute(name));
    place.innerHTML = mapHtml(width);
    const now = had && Array.from(place.querySelectorAll("button")).find(same);
    if (now) now.focus();
  }

  function paint(facts) {
    if (!facts) return root.dash_clientside.no_update;
    shown.facts = facts;
    shown.layer = null;
    shown.shelf = null;
    root.dryline.cuts.small(document.getElementById("guide"), facts.cuts, facts.units);
    root.dryline.cuts.large(document.getElementById("guide-cut"), facts.cuts[facts.pot], facts.units);
    paintMap();
    return root.dash_clientside.no_update;
  }

  /* ---- taking an advice ---- */

  async function take(button) {
    const pot = button.getAttribute("data-pot");
    const told = button.parentElement.querySelector("[data-taken]");
    button.disabled = true;
    const answer = await root.dryline.change.send("advice_taken", { pot, change: button.getAttribute("data-take") });
    if (!answer.done) {
      button.disabled = false;
      told.textContent = answer.away ? "The glasshouse computer cannot be reached; nothing was kept. Try again." : answer.faults.map((fault) => fault.says).join(" ");
      return;
    }
    button.hidden = true;
    told.textContent = answer.done.says;
    root.dryline.undo(answer.done.says, async () => {
      const back = await root.dryline.change.send(answer.done.undo[0], answer.done.undo[1]);
      if (back.done) {
        button.disabled = false;
        button.hidden = false;
        told.textContent = "";
      }
      return back;
    });
  }

  document.addEventListener("click", (event) => {
    const layer = event.target.closest && event.target.closest("[data-layer]");
    const across = event.target.closest && event.target.closest("[data-across]");
    const taking = event.target.closest && event.target.closest("[data-take]");
    const shelf = event.target.closest && event.target.closest("[data-map-shelf]");
    if (shelf) { const label = shelf.getAttribute("data-map-shelf"); shown.shelf = shown.shelf === label ? null : label; paintMap(); }
    if (across) { shown.across = across.getAttribute("data-across"); paintMap(); }
    if (layer) { shown.layer = layer.getAttribute("data-layer"); paintMap(); }
    if (taking && !taking.disabled) take(taking);
  });

  root.addEventListener("resize", () => {
    const place = document.getElementById("guide-map");
    if (place && Math.abs(place.clientWidth - shown.width) > 8) paintMap();
  });

  root.dash_clientside = root.dash_clientside || {};
  root.dash_clientside.guide = { paint };
})(window);
