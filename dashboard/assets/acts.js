/* The sheet of the alarms, and a press on what is drawn again and again, such as its buttons. What is pressed
   names itself in the page (data-press: the Store that hears of it; data-subject: what it is about), and that
   Store stands outside what is redrawn: no redrawing can lose the press. */
(function () {
  "use strict";
  var pressed = null;
  var byPointer = false;  // the click that ends a press of the pointer is the same press
  var ACKNOWLEDGE = '[data-press="acknowledging"]';
  /* What a press is about, as text, so that the button that replaced the pressed one is known as its heir. */
  function subject(node) {
    var button = node && node.closest && node.closest("[data-press]");
    return button && JSON.stringify([button.getAttribute("data-press"), JSON.parse(button.getAttribute("data-subject"))]);
  }
  function sheet() { return document.getElementById("alarm-sheet"); }
  /* The button that opened the sheet, or its heir in a line that was drawn anew meanwhile. */
  var byAct = true;
  function opener() {
    var same = document.querySelector(byAct ? "#alert [data-sheet].act" : "#alert [data-sheet]:not(.act)");
    return same && same.offsetParent ? same : document.querySelector("#alert [data-sheet].act") || document.querySelector("#alert [data-sheet]");
  }
  function isOpen() { return sheet() && !sheet().hidden; }
  function mark() {
    document.querySelectorAll("#alert [data-sheet]").forEach(function (button) {
      if (button.getAttribute("aria-expanded") !== String(Boolean(isOpen()))) { button.setAttribute("aria-expanded", String(Boolean(isOpen()))); }
    });
  }
  function open(then) {
    byAct = then;
    sheet().hidden = false;
    mark();
    var field = document.getElementById("acknowledge-comment");
    if (then && field && field.offsetParent) { field.focus(); } else { sheet().focus(); }
  }
  function close(focus) {
    if (!isOpen()) { return; }
    sheet().hidden = true;
    mark();
    if (focus && opener()) { opener().focus(); }
  }
  function tell(text) {
    if (!text || !window.dash_clientside.set_props) { return; }
    var press = JSON.parse(text);
    window.dash_clientside.set_props(press[0], { data: { subject: press[1], at: Date.now() } });
    if (press[0] === "acknowledging") { setTimeout(goOn, 100, text, 80); }
  }
  /* What was acknowledged takes its button along. The keyboard goes on to the next one; after the last the sheet
     closes, and it goes on from the page, not from its very top. */
  function goOn(text, left) {
    var still = Array.prototype.some.call(document.querySelectorAll(ACKNOWLEDGE), function (button) { return subject(button) === text; });
    if (still) { if (left > 0) { setTimeout(goOn, 100, text, left - 1); } return; }
    if (document.querySelector("#alarm-acts " + ACKNOWLEDGE)) { document.getElementById("acknowledge-comment").focus(); return; }
    close(false);
    document.querySelector("main").focus();
  }
  document.addEventListener("pointerdown", function (e) { byPointer = false; pressed = e.button === 0 ? subject(e.target) : null; });
  document.addEventListener("pointercancel", function () { pressed = null; });
  document.addEventListener("pointerup", function (e) {
    /* The button that was pressed may have been replaced meanwhile; the one under the pointer is its heir. */
    if (pressed && pressed === subject(document.elementFromPoint(e.clientX, e.clientY))) { byPointer = true; tell(pressed); }
    pressed = null;
  });
  document.addEventListener("click", function (e) {
    if (!byPointer) { tell(subject(e.target)); }
    byPointer = false;
    var button = e.target.closest && e.target.closest("[data-sheet]");
    if (button) {
      if (isOpen() && !button.classList.contains("act")) { close(true); } else { open(button.classList.contains("act")); }
    } else if (isOpen() && !e.target.closest(".alarm-line")) { close(false); }
  });
  document.addEventListener("keydown", function (e) {
    if (e.key === "Escape" && isOpen() && e.target.closest(".alarm-line")) { close(true); }
    if (e.key === "Enter" && e.target.id === "acknowledge-comment") { tell(subject(document.querySelector("#alarm-acts " + ACKNOWLEDGE))); }
  });
  new MutationObserver(mark).observe(document.documentElement, { childList: true, subtree: true });

  /* All pages behind one button where the names have no room. */
  document.addEventListener("click", function (e) {
    var head = document.querySelector(".head"), button = head && head.querySelector(".all-pages");
    if (!button) { return; }
    var shown = Boolean(e.target.closest(".all-pages")) && !head.classList.contains("open");
    head.classList.toggle("open", shown);
    button.setAttribute("aria-expanded", String(shown));
  });
  document.addEventListener("keydown", function (e) {
    var head = document.querySelector(".head.open");
    if (e.key !== "Escape" || !head) { return; }
    head.classList.remove("open");
    head.querySelector(".all-pages").setAttribute("aria-expanded", "false");
    head.querySelector(".all-pages").focus();
  });
})();
