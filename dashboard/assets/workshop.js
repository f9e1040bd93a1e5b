/* The workshop's own small jobs: drawing the section of each set-up, and showing what a check found under its form,
   with the button that keeps it. Knows no kind of change. */
(function (root) {
  "use strict";

  let numbered = 0;

  /* The page was told: its sections are drawn where they were not yet. */
  function draw() {
    root.document.querySelectorAll("[data-section]").forEach((place) => {
      const said = place.getAttribute("data-section");
      if (place.dryline_drawn === said) return;
      place.dryline_drawn = said;
      place.innerHTML = root.dryline.section.draw(JSON.parse(said), { width: 132, height: 150, id: "setup-cut-" + ++numbered });
    });
    return root.dash_clientside.no_update;
  }

  function shown(node, look) {
    const found = root.document.createElement("div");
    found.className = "found";
    found.setAttribute("role", "status");
    look.sentences.forEach((sentence) => {
      const line = root.document.createElement("p");
      line.textContent = sentence;
      found.append(line);
    });
    if (look.keep) {
      const keep = root.document.createElement("button");
      keep.type = "button";
      keep.className = "door door-first";
      keep.textContent = "Keep it";
      keep.setAttribute("data-tap", JSON.stringify(look.keep));
      found.append(keep);
    }
    node.append(found);
    found.scrollIntoView({ block: "nearest" });
  }

  root.document.addEventListener("dryline:done", (event) => {
    const node = event.target;
    node.querySelectorAll(".found").forEach((found) => found.remove());
    if (event.detail.done && event.detail.done.look) shown(node, event.detail.done.look);
  });

  root.dash_clientside = root.dash_clientside || {};
  root.dash_clientside.workshop = { draw };
})(window);
