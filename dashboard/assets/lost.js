/* The pulse: once a second, or as often as the server says, the page asks whether anything new came in, and says at once when the server
   or the service behind it is lost, for then what stands on the page is from before. */
(function () {
  "use strict";
  var asked = window.fetch;
  var lastGood = Date.now();
  var cursor = null;
  var setup = null;
  var waiting = false;
  var due = 0;  // when the server wants to be asked again: later where hundreds of pages are open
  var readable = true;  // the record, by the newest pulse: an act that needs nothing of it proves nothing
  var pending = 0;  // what the page itself asks for just now: a newer question would make its answer void
  /* What a person waits for says that it runs: a page, an answer, the part that was zoomed to. */
  var WORKS = ['"output":"..page.children', '"output":"..trend-graph.figure', '"output":"now-table-rows', "check-answer", "soak-answer"];
  var working = 0;
  function work(more) {
    working += more;
    document.documentElement.toggleAttribute("data-working", working > 0);
  }
  function clock(ms) {
    var d = new Date(ms);
    return [d.getHours(), d.getMinutes(), d.getSeconds()].map(function (n) { return String(n).padStart(2, "0"); }).join(":");
  }
  function show(id, text) {
    var place = document.getElementById(id);
    if (!place) { return; }
    if (text) {
      if (place.hidden || (place.textContent !== text && place.firstChild.data !== text)) { place.textContent = text; place.hidden = false; }
    } else if (!place.hidden) { place.hidden = true; place.textContent = ""; }
    var any = document.querySelector(".lost:not([hidden])");
    document.documentElement.toggleAttribute("data-lost", Boolean(any));
  }
  function lost() {
    stale((navigator.onLine === false ? "This device has no connection" : "The server does not answer") + " since " + clock(lastGood));
  }
  /* The server answers, but its record does not: a database server that is away, a disk that was unmounted. */
  function unreadable() { readable = false; stale("The record cannot be read now; the last news is from " + clock(lastGood)); }
  function stale(why) {
    old((Date.now() - lastGood) / 1000);
    show("lost", onWall() ? "No news since " + clock(lastGood).slice(0, 5) + ". Trust no verdict here." : why + ". What you see is from before: trust no verdict on this page.");
  }
  function onWall() { return document.documentElement.dataset.page === "wall"; }
  /* On the wall the age of the last news takes the place of every number. */
  function old(seconds) {
    document.querySelectorAll(".wall-old").forEach(function (place) { if (place.textContent !== ago(seconds)) { place.textContent = ago(seconds); } });
  }
  function signedOut() {
    show("lost", "You are signed out; what you see is from before. ");
    var place = document.getElementById("lost");
    if (place && !place.querySelector("a")) {
      var link = document.createElement("a");
      link.href = "/sign-in?next=" + encodeURIComponent(location.pathname + location.search);
      link.textContent = "Sign in again";
      place.appendChild(link);
    }
  }
  function good() { lastGood = Date.now(); show("lost", ""); }
  window.fetch = function (resource, options) {
    var own = String(resource && resource.url || resource).indexOf("_dash-update-component") >= 0;
    var works = own && WORKS.some(function (part) { return String(options && options.body).indexOf(part) >= 0; });
    if (own) { pending += 1; }
    if (works) { work(1); }
    return asked.call(window, resource, options).finally(function () { if (own) { pending -= 1; } if (works) { work(-1); } }).then(function (response) {
      if (own && (response.ok || response.status === 204)) { if (readable) { good(); } }
      else if (own && response.status === 401) { signedOut(); }
      else if (own && response.status === 403) { show("lost", "This takes another role than your account has; nothing was changed."); }
      else if (own && response.status === 503) { unreadable(); }
      else if (own) { show("lost", "The server answered with an error (" + response.status + "). What you see may be from before."); }
      return response;
    }, function (fault) {
      if (own) { lost(); }
      throw fault;
    });
  };
  /* Other probes or limits: a page that only shows is loaded again; one with a form waits for its person. */
  function changed(news) {
    var shows = ["now", "wall", "health"].indexOf(document.documentElement.dataset.page) >= 0;
    if (setup !== null && news.setup !== setup && shows) { location.reload(); }
    setup = news.setup;
  }
  function heard(news) {
    readable = true;
    good();
    due = performance.now() + 1000 * (news.again_s || 0) - 500;
    changed(news);
    if (news.stopped) {
      old(news.silent_s);
      show("silent", onWall() ? "Service stopped " + ago(news.silent_s) + " ago. Trust no verdict." : "The service was stopped " + ago(news.silent_s) + " ago: nothing is read or judged until it runs again.");
    } else if (news.silent_s !== undefined) {
      old(news.silent_s);
      show("silent", onWall() ? "No news for " + ago(news.silent_s) + ". Trust no verdict here." : "The service says nothing since " + ago(news.silent_s) + ". What you see is from before: trust no verdict on this page.");
    } else { show("silent", ""); }
    if (news.cursor !== cursor && pending === 0 && window.dash_clientside && window.dash_clientside.set_props && document.getElementById("page")) {
      window.dash_clientside.set_props("news", { data: news.cursor });
      cursor = news.cursor;
    } else if (news.cursor !== cursor) { due = 0; }
  }
  function ago(s) { return s < 100 ? Math.round(s) + " s" : s < 5400 ? Math.round(s / 60) + " min" : s < 129600 ? Math.round(s / 3600) + " h" : Math.round(s / 86400) + " days"; }
  function pulse() {
    if (waiting || document.hidden || performance.now() < due) { return; }
    waiting = true;
    var stop = new AbortController();
    var late = setTimeout(function () { stop.abort(); }, 5000);
    asked.call(window, JSON.parse(document.getElementById("_dash-config").textContent).requests_pathname_prefix + "_news", { signal: stop.signal, credentials: "same-origin", cache: "no-store" }).then(function (response) {
      if (response.status === 401) { signedOut(); } else if (response.status === 503) { unreadable(); }
      return response.ok ? response.json().then(heard) : undefined;
    }).catch(lost).then(function () { clearTimeout(late); waiting = false; });
  }
  setInterval(pulse, 1000);
  window.addEventListener("offline", lost);
  function atOnce() { due = 0; pulse(); }
  window.addEventListener("online", atOnce);
  document.addEventListener("visibilitychange", atOnce);
})();
