/* On a phone a chart has room for fewer words: fewer times on its axis, narrower margins. */
(function () {
  "use strict";
  function fit(chart) {
    if (!window.Plotly || !chart.layout || chart.fitted || !chart.clientWidth) { return; }
    if (chart.clientWidth > 520) { return; }
    chart.fitted = true;
    window.Plotly.relayout(chart, { "xaxis.nticks": 4, "xaxis.tickangle": 0, "margin.r": 62 });
  }
  new MutationObserver(function (changes) {
    changes.forEach(function (change) {
      change.addedNodes.forEach(function (node) {
        var chart = node.nodeType === 1 && node.closest && node.closest(".js-plotly-plot");
        if (chart) { setTimeout(fit, 0, chart); }
      });
    });
  }).observe(document.documentElement, { subtree: true, childList: true });
})();
