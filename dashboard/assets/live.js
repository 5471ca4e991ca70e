/* A live chart follows its readings until a person zooms; then it stays, and says that it does. */
(function () {
  "use strict";
  function told(chart, holder) {
    var chip = holder.querySelector(".paused");
    if (!chip) { return; }
    var following = chart.layout.xaxis.autorange !== false;
    chip.hidden = following;
  }
  function meet(holder) {
    var chart = holder.querySelector(".js-plotly-plot");
    if (!chart || !chart.on || chart.followed) { return; }
    chart.followed = true;
    chart.on("plotly_relayout", function () { told(chart, holder); });
  }
  document.addEventListener("click", function (e) {
    var back = e.target.closest && e.target.closest(".paused button");
    if (!back) { return; }
    var holder = back.closest(".live");
    var chart = holder && holder.querySelector(".js-plotly-plot");
    if (chart && window.Plotly) { window.Plotly.relayout(chart, { "xaxis.autorange": true }).then(function () { chart.focus && holder.querySelector("summary").focus(); }); }
  });
  setInterval(function () { document.querySelectorAll(".live").forEach(meet); }, 700);
})();
