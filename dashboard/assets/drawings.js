/* Our own drawings come as SVG text in data-svg and are put into the page here; the server has escaped
   every name in them. */
(function () {
  "use strict";
  function draw(element) {
    var text = element.getAttribute("data-svg");
    if (element.drawnText !== text) {
      element.drawnText = text;
      element.innerHTML = text;
    }
  }
  function all(root) {
    if (root.nodeType !== 1) { return; }
    if (root.hasAttribute("data-svg")) { draw(root); }
    root.querySelectorAll("[data-svg]").forEach(draw);
  }
  new MutationObserver(function (changes) {
    changes.forEach(function (change) {
      if (change.type === "attributes") { draw(change.target); }
      change.addedNodes.forEach(all);
    });
  }).observe(document.documentElement, { subtree: true, childList: true, attributes: true, attributeFilter: ["data-svg"] });
})();
