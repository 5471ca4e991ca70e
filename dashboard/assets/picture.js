/* What can be taken along from page Trend: the chart as a picture, the address of the view; and the way back from a
   zoom. The picture is drawn in ink on white whatever the theme, and says where it is from. */
(function () {
  "use strict";
  function chart() { return document.querySelector("#trend-graph .js-plotly-plot"); }
  function text(id) { var place = document.getElementById(id); return place ? place.textContent : ""; }
  function length(ms) {
    var h = Math.round(ms / 3600000);
    return h < 1 ? Math.round(ms / 60000) + " min" : h < 48 ? h + " h" : h % 24 ? Math.round(h / 24) + " d" : h / 24 + " d";
  }
  /* The button back says where it leads; the address follows the zoom, so that a reload shows the same. */
  function zoomed(range) {
    var drawn = chart(), back = document.getElementById("trend-back");
    if (!drawn || !back || !drawn.layout.meta.whole) { return; }
    var whole = drawn.layout.meta.whole;
    var part = range && (range[0] > whole[0] + 1000 || range[1] < whole[1] - 1000);
    back.textContent = "Back to " + window.stillroomAxis.local(whole[0], drawn.layout.meta.offsets).slice(0, 16) + ", " + length(whole[1] - whole[0]);
    back.hidden = !part;
  }
  function save(form) {
    var drawn = chart(), meta = drawn.layout.meta;
    var layout = Object.assign({}, drawn.layout, { paper_bgcolor: "#ffffff", plot_bgcolor: "#ffffff" });
    var said = [meta.room + ", " + meta.name + ", " + text("trend-aside")].concat(meta.simulated ? ["Simulated data"] : []).join(". ");
    layout.title = { text: said, font: { size: 13, color: "#1b2430" }, x: 0.01, xanchor: "left", y: 0.985, yanchor: "top" };
    layout.margin = Object.assign({}, layout.margin, { t: 52 });
    var size = { format: form, width: 1280, height: drawn.clientHeight + 30, scale: form === "png" ? 2 : 1 };
    return window.Plotly.toImage({ data: drawn.data, layout: layout }, size).then(function (address) {
      var link = document.createElement("a");
      link.href = address;
      link.download = (meta.name + " " + text("trend-aside").slice(0, 16)).replace(/[^\w-]+/g, "-") + "." + form;
      document.body.appendChild(link);
      link.click();
      link.remove();
    });
  }
  function copied(button) {
    var before = "Copy link";
    button.textContent = "Copied";
    setTimeout(function () { button.textContent = before; }, 2000);
  }
  function copy(button) {
    var address = document.getElementById(button.getAttribute("data-copy")).href;
    function plain() {
      var area = document.createElement("textarea");
      area.value = address;
      document.body.appendChild(area);
      area.select();
      document.execCommand("copy");
      area.remove();
      button.focus();
      copied(button);
    }
    if (navigator.clipboard && window.isSecureContext) { navigator.clipboard.writeText(address).then(function () { copied(button); }, plain); } else { plain(); }
  }
  document.addEventListener("click", function (e) {
    var button = e.target.closest && e.target.closest("[data-picture], [data-copy], [data-back], [data-unfold]");
    if (!button) { return; }
    if (button.hasAttribute("data-unfold")) {
      var open = button.closest(".trend-form").classList.toggle("open");
      button.setAttribute("aria-expanded", String(open));
    } else if (button.hasAttribute("data-copy")) { copy(button); }
    else if (chart() && window.Plotly && button.hasAttribute("data-picture")) {
      button.setAttribute("aria-busy", "true");
      save(button.getAttribute("data-picture")).finally(function () { button.removeAttribute("aria-busy"); });
    } else if (chart() && window.Plotly) {
      var whole = chart().layout.meta.whole;
      window.Plotly.relayout(chart(), { "xaxis.range[0]": whole[0], "xaxis.range[1]": whole[1] });
    }
  });
  window.stillroomPicture = { zoomed: zoomed };
})();
