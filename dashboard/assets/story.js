/* The section that stands beside a pot's story. Owns the nodes inside #story-cut. */
(function (root) {
  "use strict";

  function paint(facts) {
    const place = root.document.getElementById("story-cut");
    if (!place) return root.dash_clientside.no_update;
    const length = (mm) => root.dryline.speak.length(mm, facts.units);
    place.innerHTML = facts ? root.dryline.section.draw(facts.section, { form: "large", width: 470, height: null, id: "story-section-cut", length }) : "";
    return root.dash_clientside.no_update;
  }

  root.dash_clientside = root.dash_clientside || {};
  root.dash_clientside.story = { paint };
})(window);
