/* The verdict trace at the width of this screen: a pixel that holds several verdicts shows the worst of them, and
   nothing else. What the server sent stays as it is in chart.wholeTrace; zooming in draws from that again. */
(function () {
  "use strict";
  function traceOf(chart) {
    return (chart.data || []).findIndex(function (trace) { return trace.type === "heatmap" && trace.yaxis === "y2"; });
  }
  /* Cells from left to right: edges, the row and rank of each, or null; and whether one is narrower than `least`. */
  function cells(trace) {
    return trace.x.slice(0, -1).map(function (from, i) {
      var row = trace.z.findIndex(function (ranks) { return ranks[i] !== null && ranks[i] !== undefined; });
      return { from: from, to: trace.x[i + 1], row: row, rank: row < 0 ? Infinity : trace.z[row][i], text: row < 0 ? "" : trace.text[row][i] };
    });
  }
  /* Columns of `width` ms, each as its worst cell; neighbours of one cell or one rank are joined. */
  function joined(of, width) {
    var begin = of[0].from, n = Math.ceil((of[of.length - 1].to - begin) / width), worst = new Array(n).fill(null);
    of.forEach(function (cell) {
      if (cell.row < 0) { return; }
      var first = Math.floor((cell.from - begin) / width), last = Math.min(Math.ceil((cell.to - begin) / width), n);
      for (var c = first; c < last; c += 1) { if (!worst[c] || worst[c].rank > cell.rank) { worst[c] = cell; } }
    });
    var x = [begin], kept = [];
    worst.forEach(function (cell, c) {
      var last = kept.length ? kept[kept.length - 1] : undefined;
      var same = kept.length && (cell === last || (cell && last && cell.rank === last.rank));
      if (same) { x[x.length - 1] = begin + (c + 1) * width; } else { kept.push(cell); x.push(begin + (c + 1) * width); }
    });
    return { x: x, kept: kept };
  }
  function rows(kept, value, empty) {
    return [0, 1, 2].map(function (row) {
      return kept.map(function (cell) { return cell && cell.row === row ? value(cell) : empty; });
    });
  }
  /* Puts the columns for the present width into the chart; whether it has to be drawn again. */
  function fit(chart) {
    var found = window.stillroomAxis && window.stillroomAxis.seen(chart), at = traceOf(chart);
    if (!found || at < 0) { return false; }
    var drawn = chart.data[at], range = found.axis.range;
    if (!drawn.x || drawn.x.length < 2) { return false; }
    if (!chart.wholeTrace || String(drawn.x) !== chart.joinedX) { chart.wholeTrace = { x: drawn.x, z: drawn.z, text: drawn.text }; chart.joinedMs = 0; }
    var pixel = (range[1] - range[0]) / found.axis._length, of = cells(chart.wholeTrace);
    var narrow = of.some(function (cell) { return cell.to - cell.from < pixel && cell.to > range[0] && cell.from < range[1]; });
    if (!narrow && !chart.joinedMs) { return false; }
    if (narrow && chart.joinedMs >= pixel && chart.joinedMs < 1.1 * pixel) { return false; }
    var next = chart.wholeTrace;
    chart.joinedMs = narrow ? 1.03 * pixel : 0;
    if (narrow) {
      var made = joined(of, chart.joinedMs);
      next = { x: made.x, z: rows(made.kept, function (c) { return c.rank; }, null), text: rows(made.kept, function (c) { return c.text; }, "") };
    }
    chart.joinedX = String(next.x);
    Object.assign(drawn, next);  // and drawn again by the caller
    return true;
  }
  window.stillroomColumns = { fit: fit, cells: cells, joined: joined, traceOf: traceOf };
})();
