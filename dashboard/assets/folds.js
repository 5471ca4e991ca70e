/* What is long is cut short on a phone (stillroom.css); the button in it shows the whole, and so does a link to
   something inside. Nothing is loaded or thrown away by that. */
(function () {
  "use strict";
  function open(part, whole) {
    part.classList.toggle("whole", whole);
    var button = part.querySelector(":scope > .fold, :scope > .card-head > .fold");
    if (button) { button.setAttribute("aria-expanded", String(whole)); }
  }
  function reveal() {
    var target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    for (var part = target && target.closest(".folds"); part; part = part.parentElement.closest(".folds")) { open(part, true); }
  }
  document.addEventListener("click", function (event) {
    var button = event.target.closest(".fold");
    if (button) { var part = button.closest(".folds"); open(part, !part.classList.contains("whole")); return; }
    if (event.target.closest('a[href*="#"]')) { setTimeout(reveal); }
  });
  window.addEventListener("hashchange", reveal);
})();
