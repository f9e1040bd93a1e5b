/* Sends one change to the server and says how it ended: {done}, {faults: [{where, says}]}, or {away: true} when the
   server could not be reached, so that the caller can keep what was typed. Knows no page and no kind of change. */
(function (root) {
  "use strict";

  function token() {
    const found = root.document.cookie.split("; ").find((pair) => pair.startsWith("_csrf_token="));
    return found ? decodeURIComponent(found.slice("_csrf_token=".length)) : "";
  }

  async function post(path, body, type) {
    const headers = { "X-CSRFToken": token() };
    if (type) headers["Content-Type"] = type;
    let response;
    try {
      response = await root.fetch(path, { method: "POST", headers, body });
    } catch (away) {
      return { away: true };
    }
    try {
      return await response.json();
    } catch (unreadable) {
      return response.status >= 502 ? { away: true } : { faults: [{ where: "", says: "The server did not understand that." }] };
    }
  }

  function send(name, body) {
    return post("/change/" + name, JSON.stringify(body), "application/json");
  }

  root.dryline = Object.assign(root.dryline || {}, { change: { send, post } });
})(window);
