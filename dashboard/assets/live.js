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
  /* Points that came wait here until their chart stands; a chart draws them one after the other. Whatever is no
     newer than the last point of its line has been drawn. */
  var waiting = [], PATIENCE_MS = 60000;
  function chartOf(zone) {
    var holder = document.getElementById(JSON.stringify({ type: "live", zone: zone }));
    var chart = holder && holder.querySelector(".js-plotly-plot");
    return chart && chart.data && window.Plotly ? chart : null;
  }
  function extend(chart, added, where, most) {
    var fresh = { x: [], y: [] };
    var there = where.filter(function (trace, k) {
      var drawn = (chart.data[trace] || {}).x;
      if (!drawn) { return false; }
      var last = drawn.length ? drawn[drawn.length - 1] : -Infinity;
      var newer = added.x[k].map(function (x, i) { return x > last ? i : -1; }).filter(function (i) { return i >= 0; });
      if (!newer.length) { return false; }
      fresh.x.push(newer.map(function (i) { return added.x[k][i]; }));
      fresh.y.push(newer.map(function (i) { return added.y[k][i]; }));
      return true;
    });
    return there.length ? window.Plotly.extendTraces(chart, fresh, there, most) : chart;
  }
  function flush() {
    waiting = waiting.filter(function (part) {
      var chart = chartOf(part.zone);
      if (!chart) { return Date.now() - part.came < PATIENCE_MS; }
      chart.adding = (chart.adding || Promise.resolve()).then(function () {
        return extend(chart, part.points[0], part.points[1], part.points[2]);
      }).catch(function () { /* a chart that was taken away meanwhile */ });
      return false;
    });
  }
  window.stillroomLive = {
    add: function (added) {
      Object.keys(added || {}).forEach(function (zone) { waiting.push({ zone: zone, points: added[zone], came: Date.now() }); });
      flush();
    }
  };
  document.addEventListener("click", function (e) {
    var back = e.target.closest && e.target.closest(".paused button");
    if (!back) { return; }
    var holder = back.closest(".live");
    var chart = holder && holder.querySelector(".js-plotly-plot");
    if (chart && window.Plotly) { window.Plotly.relayout(chart, { "xaxis.autorange": true }).then(function () { chart.focus && holder.querySelector("summary").focus(); }); }
  });
  setInterval(function () { flush(); document.querySelectorAll(".live").forEach(meet); }, 700);
})();
