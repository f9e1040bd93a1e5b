/* The sections of the pots in a trial. */
(function (root) {
  "use strict";

  function paint(facts) {
    if (facts) root.dryline.cuts.small(root.document.getElementById("trials"), facts.cuts, facts.units);
    return root.dash_clientside.no_update;
  }

  root.dash_clientside = root.dash_clientside || {};
  root.dash_clientside.trials = { paint };
})(window);
