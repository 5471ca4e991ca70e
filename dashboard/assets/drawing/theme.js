/* The theme before anything is painted; assets/clientside.js goes on from there. */
(function () {
  "use strict";
  var kept = null;
  try { kept = window.localStorage.getItem("stillroom-theme"); } catch (_) { kept = null; }
  document.documentElement.setAttribute("data-theme", kept || (window.matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light"));
}());
