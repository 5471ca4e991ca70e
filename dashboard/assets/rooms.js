/* Page Rooms renews itself, without moving who reads it; what cannot be renewed is said to be from before. */
(function () {
  "use strict";
  var EVERY_MS = 15000, LATE_MS = 10000, lastGood = Date.now();
  var place = document.getElementById("rooms"), lost = document.getElementById("lost-rooms");
  if (!place || !lost) { return; }
  function say(text) { lost.textContent = text; lost.hidden = !text; place.style.opacity = text ? ".6" : ""; }
  function renew() {
    if (document.hidden) { return; }
    var stop = new AbortController();
    var late = setTimeout(function () { stop.abort(); }, LATE_MS);
    fetch("/_rooms" + location.search, { signal: stop.signal, credentials: "same-origin", cache: "no-store" }).then(function (response) {
      if (response.status === 401) { say("You are signed out; what you see is from before. Load the page again to sign in."); return null; }
      return response.ok ? response.text() : Promise.reject(response.status);
    }).then(function (text) {
      if (text === null) { return; }
      lastGood = Date.now();
      say("");
      if (place.dataset.shown === text || place.contains(document.activeElement)) { return; }
      place.innerHTML = text;
      place.dataset.shown = text;
    }).catch(function () {
      say("No answer from the server for " + Math.round((Date.now() - lastGood) / 1000) + " s: what you see is from before, trust no verdict on it.");
    }).then(function () { clearTimeout(late); });
  }
  setInterval(renew, EVERY_MS);
  document.addEventListener("visibilitychange", renew);
  window.addEventListener("online", renew);
})();
