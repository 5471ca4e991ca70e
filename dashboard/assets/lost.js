/* When the server is lost the page says so at once: what stands on it is from before. */
(function () {
  "use strict";
  var asked = window.fetch;
  var lastGood = Date.now();
  function clock() {
    var d = new Date(lastGood);
    return [d.getHours(), d.getMinutes(), d.getSeconds()].map(function (n) { return String(n).padStart(2, "0"); }).join(":");
  }
  function show(text) {
    var place = document.getElementById("lost");
    if (!place) { return; }
    if (text) {
      if (place.hidden || place.textContent !== text) { place.textContent = text; place.hidden = false; }
    } else if (!place.hidden) { place.hidden = true; place.textContent = ""; }
    document.documentElement.toggleAttribute("data-lost", Boolean(text));
  }
  function lost() {
    show("The server does not answer since " + clock() + ". What you see is from before: trust no verdict on this page.");
  }
  window.fetch = function (resource, options) {
    var own = String(resource && resource.url || resource).indexOf("_dash-update-component") >= 0;
    return asked.call(window, resource, options).then(function (response) {
      if (own && (response.ok || response.status === 204)) {
        lastGood = Date.now(); show("");
      } else if (own) {
        show("The server answered with an error (" + response.status + "). What you see may be from before.");
      }
      return response;
    }, function (fault) {
      if (own) { lost(); }
      throw fault;
    });
  };
  setInterval(function () {
    /* The page asks every few seconds; a server that hangs gives no error, only silence. */
    if (!document.hidden && Date.now() - lastGood > 20000) { lost(); }
  }, 2000);
  document.addEventListener("visibilitychange", function () { if (!document.hidden) { lastGood = Math.max(lastGood, Date.now() - 14000); } });
})();
