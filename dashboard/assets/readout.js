/* Above a chart, or as a table beside it, stands what was at the time under the pointer: local time with its offset, verdict and reason, and the
   value of each line; without a pointer, what is newest. Its place is always there: nothing moves. */
(function () {
  "use strict";
  function readout(chart) {
    var holder = chart.closest(".chart");
    var before = holder && holder.previousElementSibling;
    return before && (before.classList.contains("readout") || before.classList.contains("readout-table")) ? before : null;
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
  /* Least and greatest of the points that stand for the time around ms, where a point stands for a stretch. */
  function spanOf(line, ms) {
    var half = line.meta.bin / 2, low = Infinity, high = -Infinity;
    for (var i = Math.max(placeOf(line.x, ms - half), 0); i < line.x.length && line.x[i] <= ms + half; i += 1) {
      if (line.x[i] >= ms - half && line.y[i] !== null) { low = Math.min(low, line.y[i]); high = Math.max(high, line.y[i]); }
    }
    return low < high ? [low, high] : null;
  }
  function limitsAt(line, ms) {
    return (line.meta.limits || []).filter(function (l) { return l[0] <= ms && ms < l[1]; });
  }
  /* How far a value is above the limit that holds then, or below it; 0 inside of it. */
  function beyond(line, value, ms) {
    return limitsAt(line, ms).reduce(function (most, l) {
      var d = l[3] !== null && value > l[3] ? value - l[3] : l[2] !== null && value < l[2] ? value - l[2] : 0;
      return Math.abs(d) > Math.abs(most.by) ? { by: d, limit: d > 0 ? l[3] : l[2] } : most;
    }, { by: 0, limit: null });
  }
  function unitOf(line) { return line.meta.unit ? " " + line.meta.unit : ""; }
  function words(line, ms, reach) {
    var value = valueOf(line, ms, reach), span = line.meta.bin ? spanOf(line, ms) : null;
    if (value === null) { return { text: "no value", out: { by: 0 } }; }
    var places = line.meta.places, U = line.meta.U ? " ± " + line.meta.U.toFixed(places) : "";
    var worst = span ? [span[0], span[1]].sort(function (a, b) { return Math.abs(beyond(line, b, ms).by) - Math.abs(beyond(line, a, ms).by); })[0] : value;
    return { text: span ? span[0].toFixed(places) + " to " + span[1].toFixed(places) + unitOf(line) : value.toFixed(places) + U + unitOf(line), out: beyond(line, worst, ms), value: worst };
  }
  /* Beyond the newest reading: where lines are expected, as their bands have it (charts/expected_band.py). */
  function expectedAt(chart, ms) {
    return (chart.data || []).filter(function (t) { return t.name === "expected" && t.x && t.x.length; }).map(function (band) {
      var n = band.x.length / 2, i = placeOf(band.x.slice(0, n), ms), line = lines(chart).find(function (l) { return l.name === band.text; });
      if (!line || i < 0 || i >= n - 1) { return ""; }
      var part = (ms - band.x[i]) / (band.x[i + 1] - band.x[i]);
      function edge(a, b) { return (band.y[a] + part * (band.y[b] - band.y[a])).toFixed(line.meta.places); }
      return band.text + " expected " + edge(i, i + 1) + " to " + edge(2 * n - 1 - i, 2 * n - 2 - i) + unitOf(line);
    }).filter(Boolean);
  }
  /* Intervals of a lane under the trace that hold a time, as their texts with the begin of each. */
  function laneAt(chart, name, ms) {
    var lane = (chart.data || []).find(function (trace) { return trace.name === name; }), held = [];
    if (!lane || !lane.x) { return held; }
    for (var i = 0; i + 1 < lane.x.length; i += 3) { if (lane.x[i] <= ms && ms <= lane.x[i + 1]) { held.push({ text: lane.text[i], from: lane.x[i] }); } }
    return held;
  }
  function actsNear(chart, ms, reach) {
    var lane = (chart.data || []).find(function (trace) { return trace.name === "acts"; });
    return lane && lane.x ? lane.x.map(function (x, i) { return Math.abs(x - ms) <= reach ? lane.text[i] : null; }).filter(Boolean) : [];
  }
  /* A local time that the clock showed twice: which of the two it was. */
  function twice(ms, offsets) {
    for (var i = 1; i < offsets.length; i += 1) {
      var back = (offsets[i - 1][1] - offsets[i][1]) * 1000, at = offsets[i][0];
      var time = window.stillroomAxis.local(ms, offsets).slice(11, 16);
      if (back > 0 && ms >= at && ms < at + back) { return "This is the second " + time + " of the day."; }
      if (back > 0 && ms < at && ms >= at - back) { return "This is the first " + time + " of the day; it occurs twice."; }
    }
    return "";
  }
  function duration(ms) { return ms < 5400000 ? Math.max(Math.round(ms / 60000), 1) + " min" : Math.round(ms / 3600000) + " h"; }
  function add(to, tag, css, text) {
    var made = document.createElement(tag);
    if (css) { made.className = css; }
    if (text) { made.textContent = text; }
    to.appendChild(made);
    return made;
  }
  /* Lengths of a dash as SVG takes them; plotly knows them by name. */
  var DASH = { solid: "none", dash: "7 4", dot: "2 2.5", dashdot: "9 3 2 3", longdash: "12 3" };
  function mark(to, line) {
    var svg = document.createElementNS("http://www.w3.org/2000/svg", "svg"), path = document.createElementNS("http://www.w3.org/2000/svg", "path");
    svg.setAttribute("viewBox", "0 0 26 4");
    path.setAttribute("d", "M0 2H26");
    path.setAttribute("stroke", line.line.color);
    path.setAttribute("stroke-dasharray", DASH[line.line.dash] || String(line.line.dash).replace(/px/g, ""));
    svg.appendChild(path);
    to.appendChild(svg);
  }
  function table(place, chart, at, pointed, axis) {
    var local = window.stillroomAxis.local(at, axis.offsets), range = axis.axis.range;
    var whole = range[1] - range[0], pixel = whole / axis.axis._length, of = lines(chart), panels = {};
    of.forEach(function (line) { panels[line.meta.quantity] = true; });
    place.textContent = "";
    add(place, "p", "readout-of", pointed ? "at the cursor" : "newest");
    var time = add(place, "p", "readout-time");
    add(time, "span", "", local.slice(0, 10));
    time.appendChild(document.createTextNode(" "));
    add(time, "span", "", local.slice(11, whole < 7200000 ? 19 : 16) + " " + local.slice(20));
    var rows = add(place, "div", "readout-rows"), most = null;
    of.forEach(function (line) {
      if (panels[line.meta.quantity] && Object.keys(panels).length > 1) { add(rows, "p", "readout-of", line.meta.quantity); panels[line.meta.quantity] = false; }
      var said = words(line, at, whole / 200), row = add(rows, "div", "readout-row");
      mark(row, line);
      add(row, "span", "readout-name", line.name);
      add(row, "span", said.out.by ? "readout-value out" : "readout-value", said.text);
      if (said.out.by && (!most || Math.abs(said.out.by) > Math.abs(most.out.by))) { most = { line: line, out: said.out }; }
    });
    var verdict = verdictAt(chart, pointed ? at : at - 1).split(", ");
    if (verdict[0]) {
      var reason = verdict[0].split(": ")[1] || "conforming", said = add(place, "p", "readout-verdict");
      add(said, "span", "swatch swatch-" + reason.replace(" ", "-"));
      said.appendChild(document.createTextNode(verdict[0]));
      var why = verdict.slice(1).join(", ");
      if (most && reason === "nonconforming") {
        var by = Math.abs(most.out.by), proven = by > most.line.meta.U ? "proven" : "not proven";
        why = [why, most.line.name.split(" ")[0] + " " + by.toFixed(most.line.meta.places) + " " + most.line.meta.apart + (most.out.by > 0 ? " above " : " below ") + most.out.limit + unitOf(most.line) + ", " + proven].filter(Boolean).join("; ");
      }
      if (why) { add(place, "p", "readout-why", why + "."); }
    }
    laneAt(chart, "excursions", at).forEach(function (one) { add(place, "p", "readout-why", one.text + ", " + duration(at - one.from) + " so far."); });
    var held = laneAt(chart, "inspections", at);
    held.forEach(function (one) { add(place, "p", "readout-why", one.text + "."); });
    if (!held.length) { add(place, "p", "readout-why", "No inspection at this time."); }
    var near = actsNear(chart, at, 5 * pixel);
    near.slice(0, 3).forEach(function (text) { add(place, "p", "readout-why", text); });
    if (near.length > 3) { add(place, "p", "readout-why", "and " + (near.length - 3) + " more acts, in the table below."); }
    var second = twice(at, axis.offsets);
    if (second) { add(place, "p", "readout-why", second); }
  }
  /* A hairline at the time that is read out; a mark of ours, so that plotly draws nothing anew. */
  function cursor(chart, ms, axis) {
    var holder = chart.closest(".chart"), line = holder.querySelector(".cursor-line");
    if (!line) { line = document.createElement("div"); line.className = "cursor-line"; holder.appendChild(line); }
    var range = axis.axis.range, share = ms === null ? -1 : (ms - range[0]) / (range[1] - range[0]);
    line.hidden = share < 0 || share > 1;
    if (!line.hidden) { line.style.left = chart.offsetLeft + axis.axis._offset + share * axis.axis._length + "px"; }
  }
  /* ms: a time in milliseconds; null: the newest. */
  function tell(chart, ms) {
    var place = readout(chart), found = window.stillroomAxis.seen(chart);
    if (!place || !found) { return; }
    if (ms === null && typeof chart.pointed === "number") { ms = chart.pointed; }
    var at = ms === null ? newest(chart) : ms;
    if (!isFinite(at)) { place.textContent = ""; return; }
    cursor(chart, ms, found);
    if (place.classList.contains("readout-table")) { table(place, chart, at, ms !== null, found); return; }
    var range = found.axis.range, reach = (range[1] - range[0]) / 200;
    var later = ms !== null && at > newest(chart) + reach ? expectedAt(chart, at) : [];
    var values = later.length ? later : lines(chart).map(function (line) { return line.name + " " + words(line, at, reach).text; });
    var verdict = verdictAt(chart, ms === null ? at - 1 : at);
    var parts = [window.stillroomAxis.local(at, found.offsets), verdict].concat(values).filter(Boolean);
    place.textContent = parts.map(function (part) { return part.replace(/ /g, "\u00a0"); }).join(" · ");
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
    var range = found.axis.range;
    chart.pointed = range[0] + (range[1] - range[0]) * x / found.axis._length;
    tell(chart, chart.pointed);
  }
  document.addEventListener("pointermove", pointed);
  document.addEventListener("pointerdown", pointed);
  window.stillroomReadout = { tell: tell };
})();
