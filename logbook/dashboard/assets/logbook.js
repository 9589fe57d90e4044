/* What only a browser can do: title and focus after a change of page, the theme, settings, files, the address. */
(function () {
  "use strict";
  var lastPath = null;

  function nothing() { return window.dash_clientside.no_update; }

  function arrived() {
    window.requestAnimationFrame(function () {
      var page = document.querySelector("#content .page");
      if (!page) { return; }
      document.title = page.getAttribute("data-title") + " · logbook";
      var path = window.location.pathname;
      var first = lastPath === null;
      var same = lastPath === path;
      lastPath = path;
      document.querySelectorAll(".contents-narrow[open]").forEach(function (menu) { menu.open = false; });
      document.querySelectorAll(".contents .here").forEach(function (link) { link.setAttribute("aria-current", "page"); });
      window.dash_clientside.set_props("trouble", { children: "" });
      quietSoon(same);
      guessZone();
      if (first || same) { return; }
      var head = document.querySelector("#content h1");
      if (head) {
        head.setAttribute("tabindex", "-1");
        head.focus({ preventScroll: true });
      }
      window.scrollTo(0, 0);
    });
    return "";
  }

  /* What was done stays to be read for a while, and goes at once with the page. */
  var quiet = null;

  function quietSoon(same) {
    window.clearTimeout(quiet);
    quiet = window.setTimeout(function () { window.dash_clientside.set_props("done", { children: "" }); }, same ? 8000 : 0);
  }

  function guessZone() {
    if (!document.querySelector("[data-zone-guess]")) { return; }
    var zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
    if (zone) { window.dash_clientside.set_props("new-zone", { value: zone }); }
  }

  function switchTheme(clicks) {
    var root = document.documentElement;
    var scheme = root.getAttribute("data-mantine-color-scheme") === "dark" ? "dark" : "light";
    if (clicks) {
      scheme = scheme === "dark" ? "light" : "dark";
      try {
        window.localStorage.setItem("logbook-scheme", scheme);
        window.localStorage.setItem("mantine-color-scheme-value", scheme);
      } catch (e) { /* private window */ }
      root.setAttribute("data-mantine-color-scheme", scheme);
    }
    return scheme === "dark" ? "Light" : "Dark";
  }

  function keepCookie(name, value) {
    var age = value ? 10 * 365 * 86400 : 0;
    document.cookie = name + "=" + value + "; path=/; SameSite=Strict; max-age=" + age;
  }

  function keepSettings(zone, unit) {
    if (!zone || !unit) { return nothing(); }
    keepCookie("logbook-zone", zone.indexOf("own") >= 0 ? "" : zone);
    keepCookie("logbook-temperature", unit);
    return "Kept. Every page follows from now on.";
  }

  function keepAddress(view) {
    if (!view) { return nothing(); }
    function iso(ms) { return new Date(ms).toISOString().replace(".000Z", "Z"); }
    var search = "?from=" + iso(view.start) + "&to=" + iso(view.end);
    window.history.replaceState(window.history.state, "", window.location.pathname + search);
    return nothing();
  }

  /* Files: a native input, so that keyboard, finger and mouse all find it; each file is one streamed PUT. */
  var pack = null;

  function packChosen(value) {
    pack = value;
    return nothing();
  }

  function fileSlot(id, value) {
    pack = value || pack;
    window.requestAnimationFrame(function () {
      var slot = document.getElementById("file-slot");
      if (!slot || slot.firstChild) { return; }
      var input = document.createElement("input");
      input.type = "file";
      input.multiple = true;
      input.id = "files";
      input.addEventListener("change", function () {
        sendAll(Array.from(input.files));
        input.value = "";
      });
      slot.appendChild(input);
      var drop = slot.closest(".drop");
      ["dragover", "dragenter"].forEach(function (name) {
        drop.addEventListener(name, function (event) { event.preventDefault(); drop.classList.add("over"); });
      });
      ["dragleave", "drop"].forEach(function (name) {
        drop.addEventListener(name, function () { drop.classList.remove("over"); });
      });
      drop.addEventListener("drop", function (event) {
        event.preventDefault();
        sendAll(Array.from(event.dataTransfer.files));
      });
    });
    return nothing();
  }

  function tell(words) { window.dash_clientside.set_props("import-sending", { children: words }); }

  function look() { window.dash_clientside.set_props("import-tick", { disabled: false, n_intervals: 0 }); }

  function sendAll(files) {
    var troubles = [];
    files.reduce(function (before, file) {
      return before.then(function () {
        return send(file).catch(function (words) { troubles.push(file.name + ": " + words); });
      });
    }, Promise.resolve()).then(function () {
      tell(troubles.join(" "));
      look();
    });
  }

  function send(file) {
    return new Promise(function (resolve, reject) {
      var request = new XMLHttpRequest();
      request.open("PUT", "/api/v1/uploads?pack=" + encodeURIComponent(pack));
      request.setRequestHeader("X-Requested-With", "logbook");
      request.setRequestHeader("X-Filename", encodeURIComponent(file.name));
      request.setRequestHeader("Content-Type", "application/octet-stream");
      request.upload.onprogress = function (event) {
        if (event.lengthComputable) {
          tell("Sending " + file.name + ", " + Math.round(100 * event.loaded / event.total) + " %");
        }
      };
      request.onload = function () {
        if (request.status === 202) { look(); resolve(); return; }
        var words = "it was refused (" + request.status + ").";
        try { words = JSON.parse(request.responseText).error || words; } catch (e) { /* not ours */ }
        reject(words);
      };
      request.onerror = function () { reject("the server could not be reached."); };
      request.send(file);
    });
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    logbook: {
      arrived: arrived, switchTheme: switchTheme, keepSettings: keepSettings, keepAddress: keepAddress,
      packChosen: packChosen, fileSlot: fileSlot
    }
  });
})();
