/* The workshop's own small jobs: drawing the section of each set-up, asking a sensor, and showing what a check found
   under its form, with the button that keeps it. Knows no kind of change. */
(function (root) {
  "use strict";

  let numbered = 0;

  function draw() {
    root.document.querySelectorAll("[data-section]").forEach((place) => {
      const said = place.getAttribute("data-section");
      if (place.dryline_drawn === said) return;
      place.dryline_drawn = said;
      place.innerHTML = root.dryline.section.draw(JSON.parse(said), { width: 132, height: 150, id: "setup-cut-" + ++numbered, length: (mm) => root.dryline.speak.length(mm, place.getAttribute("data-units")) });
    });
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

  /* What takes a while says so at once: a download shows nothing until its first byte. */
  root.document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest("[data-says]");
    if (link) root.dryline.say(link.getAttribute("data-says"));
  });

  /* A question that changes nothing: what is answered is said, and the page stays as it is. */
  root.document.addEventListener("click", async (event) => {
    const button = event.target.closest && event.target.closest("[data-ask]");
    if (!button) return;
    const [name, body] = JSON.parse(button.getAttribute("data-ask"));
    const answer = await root.dryline.change.send(name, body);
    root.dryline.say(answer.done ? answer.done.says : answer.away ? "The server cannot be reached just now." : answer.faults[0].says);
  });

  new MutationObserver(draw).observe(root.document.body, { childList: true, subtree: true, attributes: true, attributeFilter: ["data-section"] });
  draw();
})(window);
