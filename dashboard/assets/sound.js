/* An audible signal while an alarm awaits a person. The tones are made here; no file, no other host. Browsers
   play nothing before somebody has pressed something on the page, so the button says when that is wanted. */
(function () {
  "use strict";
  var EVERY_MS = 10000;
  var CHOICE = "stillroom-sound";
  var context = null;
  function wanted() { try { return localStorage.getItem(CHOICE) === "on"; } catch (e) { return false; } }
  function choose(on) { try { localStorage.setItem(CHOICE, on ? "on" : "off"); } catch (e) { /* private window */ } }
  function awaits() { return document.querySelector("#alert .alert") !== null; }
  function tone(at, hertz) {
    var source = context.createOscillator();
    var level = context.createGain();
    source.frequency.value = hertz;
    level.gain.setValueAtTime(0.0001, at);
    level.gain.exponentialRampToValueAtTime(0.2, at + 0.02);
    level.gain.exponentialRampToValueAtTime(0.0001, at + 0.35);
    source.connect(level);
    level.connect(context.destination);
    source.start(at);
    source.stop(at + 0.4);
  }
  function signal() {
    tone(context.currentTime, 880);
    tone(context.currentTime + 0.45, 660);
    document.documentElement.setAttribute("data-signalled", String(Date.now()));
  }
  function plays() { return context !== null && context.state === "running"; }
  function show() {
    var button = document.querySelector("[data-sound]");
    if (!button) { return; }
    var text = !wanted() ? "Sound: off" : plays() ? "Sound: on" : "Sound: press once";
    if (button.textContent !== text) { button.textContent = text; }
    button.setAttribute("aria-pressed", String(wanted()));
  }
  function begin() {
    var Audio = window.AudioContext || window.webkitAudioContext;
    if (!Audio) { return; }
    context = context || new Audio();
    context.resume().then(function () { show(); if (awaits()) { signal(); } });
  }
  document.addEventListener("click", function (e) {
    var button = e.target.closest && e.target.closest("[data-sound]");
    if (button) {
      var on = !wanted() || !plays();
      choose(on);
      if (on) { begin(); } else { show(); }
    } else if (wanted() && !plays()) {
      begin();
    }
  });
  var sounded = 0;
  setInterval(function () {
    show();
    if (!wanted() || !plays() || !awaits()) { sounded = awaits() ? sounded : 0; return; }
    if (Date.now() - sounded >= EVERY_MS) { sounded = Date.now(); signal(); }
  }, 1000);
})();
