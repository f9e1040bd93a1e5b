/* Puts cut sections where a page asks for them: a node with data-cut="<pot>" gets the small one. Owns those nodes'
   insides; knows no page, and how a section looks is section.js. */
(function (root) {
  "use strict";

  const SMALL = { width: 84, height: 104, exaggerate: true };
  let drawn = 0; /* ids must differ in a document */

  function options(units, more) {
    drawn += 1;
    return Object.assign({ id: "cut-here-" + drawn, length: (mm) => root.dryline.speak.length(mm, units) }, more);
  }

  function small(place, facts, units) {
    if (!place) return;
    place.querySelectorAll("[data-cut]").forEach((node) => {
      const pot = facts[node.getAttribute("data-cut")];
      node.innerHTML = pot ? root.dryline.section.draw(pot, options(units, SMALL)) : "";
    });
  }

  function large(node, pot, units) {
    if (node) node.innerHTML = pot ? root.dryline.section.draw(pot, options(units, { form: "large", width: 470, height: null })) : "";
  }

  root.dryline = Object.assign(root.dryline || {}, { cuts: { small, large } });
})(window);
