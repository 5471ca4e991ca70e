/* A calendar for each field of a day or a time: the browser's own, opened by a button; typing stays possible. */
(function () {
  "use strict";
  function write(field, value) {
    /* React keeps its own idea of the value: only the setter of the element and an event tell it. */
    Object.getOwnPropertyDescriptor(window.HTMLInputElement.prototype, "value").set.call(field, value);
    field.dispatchEvent(new Event("input", { bubbles: true }));
  }
  function add(slot) {
    var field = slot.querySelector("input");
    if (!field || slot.querySelector(".calendar")) { return; }
    var picker = document.createElement("input"), open = document.createElement("button");
    picker.type = "date"; picker.className = "calendar-day"; picker.tabIndex = -1; picker.setAttribute("aria-hidden", "true");
    open.type = "button"; open.className = "calendar"; open.textContent = "▾";
    var label = slot.querySelector("label");
    open.setAttribute("aria-label", "Calendar");
    if (label && label.id) { open.setAttribute("aria-describedby", label.id); }
    picker.addEventListener("change", function () {
      if (picker.value) { write(field, picker.value + field.value.slice(10)); }
      field.focus();
    });
    open.addEventListener("click", function () {
      if (/^\d{4}-\d{2}-\d{2}/.test(field.value)) { picker.value = field.value.slice(0, 10); }
      try { picker.showPicker(); } catch (_) { picker.focus(); }
    });
    slot.appendChild(open); slot.appendChild(picker);
  }
  function all() { document.querySelectorAll(".slot.dated").forEach(add); }
  new MutationObserver(all).observe(document.documentElement, { childList: true, subtree: true });
  all();
}());
