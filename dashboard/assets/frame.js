/* The frame's own small jobs: going from page to page without a reload, which page is marked as open, the title, the
   theme button, when the wall's room is shown, and what to do when the door has closed behind us. Knows no page's
   content. */
(function (root) {
  "use strict";

  function go(path) {
    if (path === root.location.pathname) return;
    root.history.pushState({}, "", path);
    root.dispatchEvent(new CustomEvent("_dashprivate_pushstate")); /* what the address component listens to */
  }

  function here(shown) {
    if (!shown) return root.dash_clientside.no_update;
    root.document.querySelectorAll(".pool a[data-page]").forEach((link) => {
      if (link.getAttribute("data-page") === shown.page) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    });
    root.document.title = shown.title;
    if (shown.page !== "wall") root.dryline.wall.leave();
    return root.dash_clientside.no_update;
  }

  const theme = root.document.getElementById("theme");
  function showTheme(choice) { theme.textContent = "Theme: " + choice; }
  showTheme(root.dryline.theme.chosen());
  theme.addEventListener("click", () => showTheme(root.dryline.theme.next()));

  root.document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest("a[data-in]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button !== 0) return;
    event.preventDefault();
    go(link.getAttribute("href"));
  });

  /* A session that ended answers 401 or 403 to a refresh; only a fresh page can ask for the password. */
  const fetchAsBefore = root.fetch.bind(root);
  root.fetch = async function (resource, options) {
    const response = await fetchAsBefore(resource, options);
    const of_dash = String(resource).includes("_dash-");
    if (response.status === 401 || (response.status === 403 && of_dash)) {
      root.location.reload();
      if (of_dash) return new Promise(() => {}); /* nobody needs the answer: the page is going */
    }
    return response;
  };

  root.dryline = Object.assign(root.dryline || {}, { go });
  root.dash_clientside = root.dash_clientside || {};
  root.dash_clientside.frame = { here };
})(window);
