/* Above a chart stands what was at the time under the pointer: local time with its offset, verdict and reason, and the
   value of each line; without a pointer, what is newest. Its place is always there: nothing moves. */
(function () {
  "use strict";
  function readout(chart) {
    var holder = chart.closest(".chart");
    var before = holder && holder.previousElementSibling;
    return before && before.classList.contains("readout") ? before : null;
  }
  /* The last place in ascending x that is not after ms, or −1. */
  function placeOf(x, ms) {
    var low = 0, high = x.length;
    while (low < high) { var middle = (low + high) >> 1; if (x[middle] <= ms) { low = middle + 1; } else { high = middle; } }
    return low - 1;
  }
  function lines(chart) {
    return (chart.data || []).filter(function (trace) { return trace.meta && trace.meta.unit !== undefined && trace.x && trace.x.length; });
  }
  /* The value of a line at a time: that of the nearer neighbour; none in a gap, and none beyond its ends. */
  function valueOf(line, ms, reach) {
    var i = placeOf(line.x, ms);
    if (i >= 0 && line.y[i] === null) { return null; }
    var after = i + 1 < line.x.length && line.y[i + 1] !== null ? i + 1 : -1;
    if (i < 0) { return after >= 0 && line.x[0] - ms <= reach ? line.y[0] : null; }
    if (after < 0) { return ms - line.x[i] <= reach ? line.y[i] : null; }
    return line.y[line.x[after] - ms < ms - line.x[i] ? after : i];
  }
  function verdictAt(chart, ms) {
    var at = window.stillroomColumns.traceOf(chart);
    if (at < 0) { return ""; }
    var trace = chart.wholeTrace || chart.data[at];
    var i = trace.x ? placeOf(trace.x, ms) : -1;
    var row = i < 0 ? -1 : trace.z.findIndex(function (ranks) { return ranks[i] !== null && ranks[i] !== undefined; });
    return row < 0 ? "" : trace.text[row][i].split("<br>").join(", ");
  }
  function newest(chart) {
    return lines(chart).reduce(function (last, line) {
      for (var i = line.x.length - 1; i >= 0; i -= 1) { if (line.y[i] !== null) { return Math.max(last, line.x[i]); } }
      return last;
    }, -Infinity);
  }
  /* ms: a time in milliseconds; null: the newest. */
  function tell(chart, ms) {
    var place = readout(chart), found = window.stillroomAxis.seen(chart);
    if (!place || !found) { return; }
    if (ms === null && typeof chart.pointed === "number") { ms = chart.pointed; }
    var at = ms === null ? newest(chart) : ms;
    if (!isFinite(at)) { place.textContent = ""; return; }
    var range = found.axis.range.map(window.stillroomAxis.utc), reach = (range[1] - range[0]) / 200;
    var values = lines(chart).map(function (line) {
      var value = valueOf(line, at, reach);
      return line.name + " " + (value === null ? "no value" : value.toFixed(2) + (line.meta.unit ? " " + line.meta.unit : ""));
    });
    var verdict = verdictAt(chart, ms === null ? at - 1 : at);
    place.textContent = [window.stillroomAxis.local(at, found.offsets), verdict].concat(values).filter(Boolean).join(" · ");
  }
  function pointed(e) {
    var chart = e.target.closest && e.target.closest(".js-plotly-plot");
    document.querySelectorAll(".js-plotly-plot").forEach(function (other) {
      if (other !== chart && typeof other.pointed === "number") { other.pointed = null; tell(other, null); }
    });
    var found = chart && window.stillroomAxis.seen(chart);
    if (!found) { return; }
    var x = e.clientX - chart.getBoundingClientRect().left - found.axis._offset;
    if (x < 0 || x > found.axis._length) { chart.pointed = null; tell(chart, null); return; }
    var range = found.axis.range.map(window.stillroomAxis.utc);
    chart.pointed = range[0] + (range[1] - range[0]) * x / found.axis._length;
    tell(chart, chart.pointed);
  }
  document.addEventListener("pointermove", pointed);
  document.addEventListener("pointerdown", pointed);
  window.stillroomReadout = { tell: tell };
})();
