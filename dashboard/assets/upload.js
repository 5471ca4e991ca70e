/* Page Import: a chosen or dropped file is announced, then sent as it is, straight from the disk. The page gets
   the field and the bar of progress from here; what becomes of it is told to the page by the key of the file. */
(function () {
  "use strict";
  var sending = null;
  function config() { return JSON.parse(document.getElementById("_dash-config").textContent); }
  function token() {
    var name = config().csrf_token_name + "=";
    var found = document.cookie.split("; ").find(function (one) { return one.indexOf(name) === 0; });
    return found ? decodeURIComponent(found.slice(name.length)) : "";
  }
  function refuse(text) { document.getElementById("import-refusal").replaceChildren(text ? words(text) : ""); }
  function words(text) {
    var line = document.createElement("div");
    line.className = "refusal"; line.textContent = text;
    return line;
  }
  function show(sent, size) {
    var bar = document.querySelector("#import-drop progress");
    var text = document.querySelector("#import-drop output");
    if (!bar) { return; }
    bar.hidden = sent === null;
    if (sent === null) { text.textContent = ""; return; }
    bar.max = size; bar.value = sent;
    /* Said aloud at every tenth alone. */
    var tenth = Math.floor(10 * sent / size), mega = function (n) { return Math.ceil(n / 1e6); };
    if (text.dataset.tenth !== String(tenth)) {
      text.dataset.tenth = tenth;
      text.textContent = mega(sent) + " of " + mega(size) + " MB sent";
    }
  }
  function call(path, type, body, done, progress) {
    var request = new XMLHttpRequest();
    sending = request;
    request.open("POST", config().requests_pathname_prefix + path);
    request.setRequestHeader("Content-Type", type);
    request.setRequestHeader(config().csrf_header_name || "X-CSRFToken", token());
    if (progress) { request.upload.onprogress = function (e) { progress(e.loaded, e.total); }; }
    request.onload = function () {
      var answer = {};
      try { answer = JSON.parse(request.responseText); } catch (none) { /* plain text says why */ }
      if (request.status === 201) { done(answer); return; }
      fail(answer.refused || request.responseText || "The file was refused (HTTP " + request.status + ").");
    };
    request.onerror = function () { fail("The file did not arrive whole: the connection ended. Choose it again."); };
    request.send(body);
  }
  function fail(text) { show(null); refuse(text.trim()); }
  function send(file) {
    if (!file) { return; }
    if (sending) { sending.abort(); }
    refuse("");
    show(0, file.size || 1);
    call("import/file", "application/json", JSON.stringify({ name: file.name, size: file.size }), function (told) {
      call("import/file/" + told.ticket, "application/octet-stream", file, function (arrived) {
        show(null);
        window.dash_clientside.set_props("import-key", { data: arrived.key });
      }, show);
    });
  }
  function field() {
    var drop = document.getElementById("import-drop");
    if (!drop || drop.querySelector("input")) { return; }
    var input = document.createElement("input");
    input.type = "file"; input.id = "import-file";
    var bar = document.createElement("progress");
    bar.hidden = true; bar.setAttribute("aria-label", "Progress of sending the file");
    drop.append(input, bar, document.createElement("output"));
    input.addEventListener("change", function () { send(input.files[0]); input.value = ""; });
    drop.addEventListener("dragover", function (e) { e.preventDefault(); });
    drop.addEventListener("drop", function (e) { e.preventDefault(); send(e.dataTransfer.files[0]); });
    drop.addEventListener("click", function (e) { if (e.target === drop) { input.click(); } });
  }
  new MutationObserver(field).observe(document.documentElement, { childList: true, subtree: true });
})();
