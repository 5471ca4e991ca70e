/* A press on something that is drawn again and again, such as the button of an alert. What is pressed names
   itself in the page, and one standing Store hears of it: no redrawing can lose the press. */
(function () {
  "use strict";
  var pressed = null;
  var told = { key: null, at: 0 };
  function key(node) {
    var found = node && node.closest && node.closest("[data-acknowledge]");
    return found && found.getAttribute("data-acknowledge");
  }
  function tell(alarm) {
    var now = Date.now();
    if (!alarm || !window.dash_clientside.set_props || (told.key === alarm && now - told.at < 500)) { return; }
    told = { key: alarm, at: now };
    window.dash_clientside.set_props("acknowledging", { data: { alarm: alarm, at: now } });
  }
  document.addEventListener("pointerdown", function (e) { pressed = e.button === 0 ? key(e.target) : null; });
  document.addEventListener("pointercancel", function () { pressed = null; });
  document.addEventListener("pointerup", function (e) {
    /* The button that was pressed may have been replaced meanwhile; the one under the pointer is its heir. */
    if (pressed && pressed === key(document.elementFromPoint(e.clientX, e.clientY))) { tell(pressed); }
    pressed = null;
  });
  /* What was acknowledged takes its button along: the keyboard goes on from the page, not from its very top. */
  function goOn(left) {
    if (document.querySelector("[role=dialog]")) { if (left > 0) { setTimeout(goOn, 100, left - 1); } return; }
    if (left > 0) { setTimeout(goOn, 100, Math.min(left - 1, 20)); }
    if (document.activeElement === document.body) { document.querySelector("main").focus(); }
  }
  document.addEventListener("click", function (e) {
    tell(key(e.target));
    if (e.target.closest("#acknowledge-go")) { setTimeout(goOn, 100, 80); }
  });
})();
