/* Light or dim, before anything is painted. Owns the choice (kept on this device) and the hours of "auto".
   Loaded in the head by the page itself, so that a bedroom wall does not flash white at night. */
(function (root) {
  "use strict";
  const KEY = "dryline-theme";
  const CHOICES = ["auto", "light", "dim"];
  const DIM_FROM_HOUR = 20;
  const DIM_UNTIL_HOUR = 7;

  function chosen() {
    try {
      const kept = root.localStorage.getItem(KEY);
      return CHOICES.includes(kept) ? kept : "auto";
    } catch (refused) {
      return "auto"; /* storage switched off: the clock decides */
    }
  }

  function shown(choice, hour) {
    if (choice !== "auto") return choice;
    return hour >= DIM_FROM_HOUR || hour < DIM_UNTIL_HOUR ? "dim" : "light";
  }

  function apply() {
    const theme = shown(chosen(), new Date().getHours());
    root.document.documentElement.setAttribute("data-theme", theme);
    return chosen();
  }

  function next() {
    const following = CHOICES[(CHOICES.indexOf(chosen()) + 1) % CHOICES.length];
    try { root.localStorage.setItem(KEY, following); } catch (refused) { /* as above */ }
    return apply();
  }

  apply();
  root.setInterval(apply, 60000);
  root.dryline = Object.assign(root.dryline || {}, { theme: { apply, next, shown, chosen } });
})(window);
