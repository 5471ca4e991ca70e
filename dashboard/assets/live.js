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
  /* The graph component hands on what it was given before, too, when the next points come while it still
     draws: whatever is no newer than the last point of its line has been drawn. */
  function once() {
    var plotly = window.Plotly;
    if (!plotly || !plotly.extendTraces || plotly.extendTraces.once) { return; }
    var extend = plotly.extendTraces;
    plotly.extendTraces = function (chart, added, where, most) {
      var fresh = { x: [], y: [] };
      var there = where.filter(function (trace, k) {
        var drawn = chart.data[trace].x;
        var last = drawn && drawn.length ? drawn[drawn.length - 1] : -Infinity;
        var newer = added.x[k].map(function (x, i) { return x > last ? i : -1; }).filter(function (i) { return i >= 0; });
        if (!newer.length) { return false; }
        fresh.x.push(newer.map(function (i) { return added.x[k][i]; }));
        fresh.y.push(newer.map(function (i) { return added.y[k][i]; }));
        return true;
      });
      return there.length ? extend(chart, fresh, there, most) : Promise.resolve(chart);
    };
    plotly.extendTraces.once = true;
  }
  document.addEventListener("click", function (e) {
    var back = e.target.closest && e.target.closest(".paused button");
    if (!back) { return; }
    var holder = back.closest(".live");
    var chart = holder && holder.querySelector(".js-plotly-plot");
    if (chart && window.Plotly) { window.Plotly.relayout(chart, { "xaxis.autorange": true }).then(function () { chart.focus && holder.querySelector("summary").focus(); }); }
  });
  setInterval(function () { once(); document.querySelectorAll(".live").forEach(meet); }, 700);
})();
