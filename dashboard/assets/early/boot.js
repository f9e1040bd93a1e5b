/* Begins what waits in the page of the wall: the other styles, then the libraries and the pages' scripts in their order,
   once the wall is painted. Knows neither what they are nor what the wall shows. */
(function (root) {
  "use strict";
  const LATEST_MS = 2000; /* a tab that is not shown paints nothing, and begins all the same */
  const document = root.document;
  let begun = false;

  function real(waiting) {
    const script = document.createElement("script");
    script.async = false; /* in the order of the page */
    if (waiting.id) script.id = waiting.id + "-begun";
    if (waiting.hasAttribute("src")) script.src = waiting.getAttribute("src");
    else script.textContent = waiting.textContent;
    return script;
  }

  function begin() {
    if (begun) return;
    begun = true;
    document.querySelectorAll("link[data-later]").forEach((link) => { link.disabled = false; });
    const waiting = Array.from(document.querySelectorAll('script[type="text/later"]')).map(real);
    const files = waiting.filter((script) => script.src);
    const words = waiting.filter((script) => !script.src);
    /* Words in the page run as soon as they stand in it, so they come when the last file has run. */
    files[files.length - 1].addEventListener("load", () => {
      document.body.append(...words);
      document.dispatchEvent(new Event("dryline:begun"));
    });
    document.body.append(...files);
  }

  root.requestAnimationFrame(() => root.setTimeout(begin, 0));
  root.setTimeout(begin, document.hidden ? 0 : LATEST_MS);
})(window);
