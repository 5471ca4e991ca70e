/* Patterns that drawings and marks refer to: one definition for the whole page. */
(function () {
  "use strict";
  var holder = document.createElement("div");
  holder.setAttribute("aria-hidden", "true");
  holder.style.cssText = "position:absolute;width:0;height:0;overflow:hidden";
  holder.innerHTML =
    '<svg width="0" height="0"><defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" ' +
    'patternTransform="rotate(45)"><path d="M0 0V5" class="hatch-line"/></pattern></defs></svg>';
  function put() { document.body.appendChild(holder); }
  if (document.body) { put(); } else { document.addEventListener("DOMContentLoaded", put); }
})();
