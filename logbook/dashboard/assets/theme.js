/* Runs before anything is drawn: light or dark as the owner chose, else as the system says; mouse or finger. */
(function () {
  "use strict";
  var chosen = null;
  try { chosen = window.localStorage.getItem("logbook-scheme"); } catch (e) { /* private window */ }
  var dark = window.matchMedia && window.matchMedia("(prefers-color-scheme: dark)").matches;
  var scheme = chosen === "light" || chosen === "dark" ? chosen : dark ? "dark" : "light";
  document.documentElement.setAttribute("data-mantine-color-scheme", scheme);
  try { window.localStorage.setItem("mantine-color-scheme-value", scheme); } catch (e) { /* private window */ }
  /* charts come with the smaller bundle, and only to pages that have one */
  Object.defineProperty(window, "_dashPlotlyJSURL", {
    get: function () { return "/assets/plotly-cartesian.min.js"; },
    set: function () { /* the full bundle is not needed */ }
  });
  var fine = window.matchMedia && window.matchMedia("(pointer: fine)").matches;
  document.cookie = "logbook-pointer=" + (fine ? "fine" : "coarse") + "; path=/; SameSite=Strict";
})();
