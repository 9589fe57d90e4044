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

  /* Files go in pieces, so that a weak connection loses no more than one, and a file goes on where it broke off. */
  var PATIENCE = 6;

  function ask(method, address, headers, body, onprogress) {
    return new Promise(function (resolve, reject) {
      var request = new XMLHttpRequest();
      request.open(method, address);
      request.setRequestHeader("X-Requested-With", "logbook");
      Object.keys(headers).forEach(function (name) { request.setRequestHeader(name, headers[name]); });
      if (onprogress) { request.upload.onprogress = onprogress; }
      request.onload = function () {
        var answer = {};
        try { answer = JSON.parse(request.responseText); } catch (e) { /* not ours */ }
        if (request.status >= 200 && request.status < 300) { resolve(answer); return; }
        reject({ status: request.status, words: answer.error || "it was refused (" + request.status + ")." });
      };
      request.onerror = function () { reject({ status: 0, words: "the server could not be reached." }); };
      request.send(body);
    });
  }

  function wait(ms) { return new Promise(function (resolve) { window.setTimeout(resolve, ms); }); }

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
    var query = "?pack=" + encodeURIComponent(pack) + "&length=" + file.size + "&changed=" + file.lastModified;
    var name = { "X-Filename": encodeURIComponent(file.name) };
    return ask("POST", "/api/v1/uploads" + query, name, null).then(function (begun) {
      return sendFrom(file, begun, begun.received, PATIENCE);
    }).catch(function (trouble) { throw trouble.words || String(trouble); });
  }

  function sendFrom(file, begun, at, patience) {
    var here = "/api/v1/uploads/" + begun.id;
    var piece = file.slice(at, at + begun.piece);
    function sent(event) {
      tell("Sending " + file.name + ", " + Math.floor(100 * Math.min(at + event.loaded, file.size) / file.size) + " %");
    }
    return ask("PUT", here + "?at=" + at, { "Content-Type": "application/octet-stream" }, piece, sent).then(function (answer) {
      if (answer.state) { look(); return; }
      return sendFrom(file, begun, answer.received, PATIENCE);
    }, function (trouble) {
      if (patience < 1 || (trouble.status && trouble.status !== 400)) { throw trouble; }
      if (!trouble.status) { tell("The connection was lost; " + file.name + " goes on by itself."); }
      return wait(500 * Math.pow(2, PATIENCE - patience)).then(function () {
        return ask("GET", here, {}, null);
      }).then(function (answer) {
        return sendFrom(file, begun, answer.received, patience - 1);
      }, function (again) {
        if (again.status) { throw again; }
        return sendFrom(file, begun, at, patience - 1);
      });
    });
  }

  /* A mapping: a small text file that belongs to one file under way. */
  function mappingSlots() {
    document.querySelectorAll("[data-mapping-of]").forEach(function (slot) {
      if (slot.firstChild) { return; }
      var input = document.createElement("input");
      input.type = "file";
      input.accept = ".toml,.txt,text/plain";
      input.addEventListener("change", function () {
        var address = "/api/v1/jobs/" + slot.getAttribute("data-mapping-of") + "/mapping";
        ask("PUT", address, { "Content-Type": "text/plain" }, input.files[0]).then(look, function (trouble) {
          window.dash_clientside.set_props("trouble", { children: trouble.words });
        });
        input.value = "";
      });
      slot.appendChild(input);
    });
    return nothing();
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    logbook: {
      arrived: arrived, switchTheme: switchTheme, keepSettings: keepSettings, keepAddress: keepAddress,
      packChosen: packChosen, fileSlot: fileSlot, mappingSlots: mappingSlots
    }
  });
})();
