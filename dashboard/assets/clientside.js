/* What runs in the browser: theme, place, and the window that a person zoomed to. */
(function () {
  "use strict";
  var kept = null;
  try { kept = window.localStorage.getItem("stillroom-theme"); } catch (_) { kept = null; }
  var query = window.matchMedia("(prefers-color-scheme: dark)");
  function current() { return kept || (query.matches ? "dark" : "light"); }
  function apply() { document.documentElement.setAttribute("data-theme", current()); }
  apply();
  query.addEventListener("change", apply);

  /* The unit of temperature is kept in a cookie: the server writes the figures. */
  document.addEventListener("click", function (e) {
    var chosen = e.target.closest && e.target.closest("[data-unit]");
    if (!chosen) { return; }
    document.cookie = "stillroom-temperature=" + chosen.getAttribute("data-unit") + "; path=/; max-age=31536000; SameSite=Strict";
    window.location.reload();
  });

  var quiet = null;
  var waiting = null;
  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    stillroom: {
      theme: function (clicks) {
        if (clicks) {
          kept = current() === "dark" ? "light" : "dark";
          try { window.localStorage.setItem("stillroom-theme", kept); } catch (_) { /* private window */ }
          apply();
        }
        return [current(), "Theme: " + current()];
      },
      place: function (path) {
        document.querySelectorAll("a.nav").forEach(function (link) {
          var isHere = link.getAttribute("href") === (path || "/");
          link.classList.toggle("here", isHere);
          if (isHere) {
            link.setAttribute("aria-current", "page");
            var shown = document.getElementById("here");
            if (shown) { shown.textContent = link.textContent; }
            document.title = link.textContent + " – stillroom";
          } else { link.removeAttribute("aria-current"); }
        });
        var own = JSON.parse(document.getElementById("_dash-config").textContent).requests_pathname_prefix || "/";
        /* Pages that stand in no navigation. */
        var apart = { positions: "Position", campaigns: "Campaigns" }[(path || "").slice(own.length).split("/")[0]];
        if (apart) { document.title = apart + " – stillroom"; }
        if (apart && document.getElementById("here")) { document.getElementById("here").textContent = apart; }
        document.documentElement.dataset.page = ("/" + (path || "/").slice(own.length)).replace(/^\/|\/$/g, "") || "now";
        return path;
      },
      /* Points of a live chart: live.js draws them. */
      add_points: function (added) {
        window.stillroomLive.add(added);
        return window.dash_clientside.no_update;
      },
      /* What a person zoomed to stands in the address, so that a reload shows it again. */
      keep_address: function (href) {
        if (href && window.location.pathname === href.split("?")[0]) { window.history.replaceState(window.history.state, "", href); }
        return href;
      },
      /* The field of an upload has no name of its own: a screen reader gets it from here. */
      named: function (_, ident) {
        (function name(tries) {
          var input = document.querySelector("#" + ident + " input[type=file]");
          if (input) { input.setAttribute("aria-label", "Certificate as XML file"); }
          else if (tries) { setTimeout(function () { name(tries - 1); }, 200); } /* it is drawn a little later */
        })(50);
        return "drop";
      },
      /* An answer to other fields than those that stand there now is an earlier one, and marked so at once. */
      stale: function () {
        var values = Array.prototype.slice.call(arguments, 0, -1);
        var asked = arguments[arguments.length - 1];
        var none = window.dash_clientside.no_update;
        if (!asked) { return [none, none]; }
        var names = ["zone", "from", "to", "pre", "length", "tolerance", "material", "scale", "corrected"];
        var words = ["zone", "from", "to", "pre-window", "length", "tolerance", "part material", "scale material", "correction"];
        var changed = words.filter(function (_, n) { return (values[n] || "").trim() !== (asked[names[n]] || "").trim(); });
        if (!changed.length) { return ["", ""]; }
        return ["Below: the earlier answer. Changed since: " + changed.join(", ") + ". Press Check for the new one.", "earlier"];
      },
      /* Of all that a chart tells, only a change of the time axis asks again, after 200 ms of quiet. */
      window: function (told) {
        var none = window.dash_clientside.no_update;
        if (!told) { return none; }
        var range = null;
        if (told["xaxis.range[0]"] !== undefined) { range = [told["xaxis.range[0]"], told["xaxis.range[1]"]]; }
        else if (told["xaxis.range"] !== undefined) { range = told["xaxis.range"]; }
        else if (!told["xaxis.autorange"]) { return none; }
        if (waiting) { waiting(none); clearTimeout(quiet); }
        return new Promise(function (resolve) {
          waiting = resolve;
          quiet = setTimeout(function () {
            waiting = null;
            window.stillroomPicture.zoomed(range);
            resolve(range);
          }, 200);
        });
      }
    }
  });
})();
