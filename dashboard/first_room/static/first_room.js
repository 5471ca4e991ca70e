/* The first setup: answers that bring further fields, a file that is dropped, and the wait for the pages. */
(function () {
  "use strict";
  var form = document.getElementById("form");
  var update = document.querySelector("[data-update]");
  document.addEventListener("change", function (e) {
    if (!form || !form.contains(e.target)) { return; }
    if (update && e.target.matches("[data-brings]")) { form.requestSubmit(update); return; }
    if (e.target.type === "file") { return; }
    var typed = new FormData(form);
    typed.set("do", "save");
    window.fetch(form.getAttribute("action"), { method: "POST", body: typed }); /* so that a reload finds it */
  });
  document.querySelectorAll(".acts .act").forEach(function (button) {
    button.form.addEventListener("submit", function () { document.body.setAttribute("aria-busy", "true"); });
  });

  /* A network address has no bits per second; the same rule as logger/first_room/trial.py. */
  var address = document.getElementById("address"), rate = document.getElementById("baud");
  function fit() {
    var serial = address.value.indexOf("://") < 0 || address.value.indexOf("rfc2217://") === 0;
    rate.closest(".line").hidden = !serial;
  }
  if (address && rate) { address.addEventListener("input", fit); fit(); }

  var zone = document.querySelector("[data-drop]");
  var field = zone && zone.querySelector("input[type=file]");
  if (field) {
    document.addEventListener("dragover", function (e) { e.preventDefault(); zone.classList.add("over"); });
    document.addEventListener("dragleave", function () { zone.classList.remove("over"); });
    document.addEventListener("drop", function (e) {
      e.preventDefault();
      if (!e.dataTransfer.files.length) { return; }
      field.files = e.dataTransfer.files;
      zone.requestSubmit();
    });
  }

  var waiting = document.querySelector("[data-wait]");
  function look() {
    var there = waiting.getAttribute("data-wait");
    window.fetch(there, { cache: "no-store" }).then(function (answer) {
      if (answer.ok) { window.location.assign(there); } else { window.setTimeout(look, 700); }
    }, function () { window.setTimeout(look, 700); });
  }
  if (waiting) { window.setTimeout(look, 1500); }
})();
