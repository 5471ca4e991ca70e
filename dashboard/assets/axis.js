/* The words of a time axis: round local times with the offset that held then, written anew for whatever part
   a person sees, and fewer of them where the chart is narrow. The same rules as logger/wall_time.py. */
(function () {
  "use strict";
  var DAY = 86400;
  var SIZES = [];
  [1, 2, 5, 10, 15, 30].forEach(function (n) { SIZES.push([n, "s", n]); });
  [1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720].forEach(function (n) { SIZES.push([n * 60, "s", n * 60]); });
  [1, 2, 7, 14].forEach(function (n) { SIZES.push([n * DAY, "d", n]); });
  [1, 2, 3, 6].forEach(function (n) { SIZES.push([n * 30 * DAY, "m", n]); });
  [1, 2, 5, 10, 20, 50].forEach(function (n) { SIZES.push([n * 365 * DAY, "y", n]); });
  var ORDINAL = 719163;  // days from 0001-01-01, counted as 1, to 1970-01-01
  function two(n) { return String(n).padStart(2, "0"); }
  function offsetText(s) {
    var a = Math.abs(s);
    return (s < 0 ? "-" : "+") + two(Math.floor(a / 3600)) + ":" + two(Math.floor(a % 3600 / 60));
  }
  /* What the clock on the wall showed: a Date whose UTC fields are the local ones. */
  function wall(ms, offset) { return new Date(ms + offset * 1000); }
  function date(d) { return d.getUTCFullYear() + "-" + two(d.getUTCMonth() + 1) + "-" + two(d.getUTCDate()); }
  function time(d, seconds) {
    return two(d.getUTCHours()) + ":" + two(d.getUTCMinutes()) + (seconds ? ":" + two(d.getUTCSeconds()) : "");
  }
  function offsetAt(offsets, ms) {
    var found = offsets.length ? offsets[0][1] : 0;
    offsets.forEach(function (o) { if (o[0] <= ms) { found = o[1]; } });
    return found;
  }
  function parts(from, to, offsets) {
    var found = [{ from: from, offset: offsetAt(offsets, from) }];
    offsets.forEach(function (o) { if (o[0] > from && o[0] <= to) { found.push({ from: o[0], offset: o[1] }); } });
    found.forEach(function (p, i) { p.to = i + 1 < found.length ? found[i + 1].from : to + 1; });
    return found;
  }
  function isRound(day, unit, n) {
    var d = new Date(day * DAY * 1000);
    if (unit === "d") { return (day + ORDINAL) % n === 0; }
    if (unit === "m") { return d.getUTCDate() === 1 && (d.getUTCFullYear() * 12 + d.getUTCMonth()) % n === 0; }
    return d.getUTCMonth() === 0 && d.getUTCDate() === 1 && d.getUTCFullYear() % n === 0;
  }
  function places(part, before, unit, n) {
    var step = unit === "s" ? n : DAY, found = [];
    var begin = Math.ceil(part.from / 1000) + part.offset, end = Math.ceil(part.to / 1000) + part.offset;
    if (unit !== "s" && before) {
      var last = part.from / 1000 - 1 + before.offset;
      var skipped = Math.floor(last / DAY) !== Math.floor(begin / DAY) && begin % DAY !== 0;
      if (skipped && isRound(Math.floor(begin / DAY), unit, n)) { found.push(part.from); }
    }
    for (var s = Math.ceil(begin / step) * step; s < end; s += step) {
      if (unit === "s" || isRound(s / DAY, unit, n)) { found.push((s - part.offset) * 1000); }
    }
    return found;
  }
  function words(d, unit, n, newDay, newOffset, offset) {
    var said = newOffset ? [offsetText(offset)] : [];
    if (unit !== "s") {
      var day = date(d);
      return [unit === "d" ? day : unit === "m" ? day.slice(0, 7) : day.slice(0, 4)].concat(said).join("<br>");
    }
    var second = newDay ? [date(d)] : newOffset ? [""] : [];
    return [time(d, n < 60)].concat(second, said).join("<br>");
  }
  /* Places in ms and words of the ticks of a window, about so many times of day or so many days at most. */
  function ticks(from, to, offsets, atMost, days) {
    var size = SIZES.find(function (s) { return (to - from) / 1000 <= (s[1] === "s" ? atMost : days || atMost) * s[0]; }) || SIZES[SIZES.length - 1];
    var unit = size[1], n = size[2], of = parts(from, to, offsets), at = [], text = [], last = null;
    of.forEach(function (part, i) {
      places(part, i ? of[i - 1] : null, unit, n).forEach(function (ms) {
        var d = wall(ms, part.offset), day = date(d);
        var near = last && (unit === "s" ? ms - last.ms < 600 * n : last.day === day);
        if (near) { return; }
        text.push(words(d, unit, n, !last || last.day !== day, of.length > 1 && (!last || last.offset !== part.offset), part.offset));
        at.push(ms);
        last = { ms: ms, day: day, offset: part.offset };
      });
    });
    return { at: at, text: text };
  }
  function local(ms, offsets) {
    var offset = offsetAt(offsets, ms), d = wall(ms, offset);
    return date(d) + " " + time(d, true) + " " + offsetText(offset);
  }
  function seen(chart) {
    var axis = chart._fullLayout && chart._fullLayout.xaxis, meta = chart.layout && chart.layout.meta;
    return axis && axis.type === "linear" && meta && meta.offsets && axis.range ? { axis: axis, offsets: meta.offsets } : null;
  }
  function fit(chart) {
    var found = seen(chart);
    if (!found) { return false; }
    var axis = found.axis, range = axis.range, narrow = axis._length < 420;
    var wanted = ticks(range[0], range[1], found.offsets, narrow ? 4 : 8, narrow ? 3 : 8);
    var own = chart.layout, changed = false, apart = 80 * (range[1] - range[0]) / axis._length, day = -1;
    /* Two days that would touch: the former leaves its place. */
    wanted.text.forEach(function (text, i) {
      var words = text.split("<br>");
      if (words.length < 2 || words[1].length !== 10) { return; }
      if (day >= 0 && wanted.at[i] - wanted.at[day] < apart) { wanted.text[day] = wanted.text[day].replace(/<br>\d{4}-\d\d-\d\d/, "<br>"); }
      day = i;
    });
    if (String(wanted.at) !== String(axis.tickvals || "") || String(wanted.text) !== String(axis.ticktext || "")) {
      own.xaxis.tickvals = wanted.at;
      own.xaxis.ticktext = wanted.text;
      changed = true;
    }
    own.margin.whole = own.margin.whole || own.margin.r;  // where a chart is narrow the names stand nearer to their lines
    if (chart.clientWidth && chart.clientWidth < 520 && own.margin.r === own.margin.whole) { own.margin.r -= own.margin.r > 82 ? 6 : 20; changed = true; }
    return changed;
  }
  /* What is written here is no act of a person: redraw says nothing of it to the page, as relayout would. */
  function drawn(chart) {
    var axis = fit(chart), columns = window.stillroomColumns.fit(chart);
    window.stillroomReadout.tell(chart, null);
    if (columns) { window.Plotly.redraw(chart); }
    else if (axis) { window.Plotly.react(chart, chart.data, chart.layout, chart._context); }  // the words alone
  }
  function meet(chart) {
    if (!chart.on || chart.axisFollowed) { return; }
    chart.axisFollowed = true;
    chart.on("plotly_afterplot", function () { drawn(chart); });
    drawn(chart);
  }
  new MutationObserver(function (changes) {
    changes.forEach(function (change) {
      change.addedNodes.forEach(function (node) {
        var chart = node.nodeType === 1 && node.closest && node.closest(".js-plotly-plot");
        if (chart) { setTimeout(meet, 0, chart); }
      });
    });
  }).observe(document.documentElement, { subtree: true, childList: true });
  window.stillroomAxis = { ticks: ticks, local: local, seen: seen };
})();
