/* Small things only a browser can do: title and focus after a change of page, the theme switch. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  logbook: {
    arrived: function () {
      var first = !window.logbookArrived;
      window.logbookArrived = true;
      window.requestAnimationFrame(function () {
        var page = document.querySelector("#content .page");
        var head = document.querySelector("#content h1");
        if (!page) { return; }
        document.title = page.getAttribute("data-title") + " · logbook";
        if (first || !head) { return; }
        head.setAttribute("tabindex", "-1");
        head.focus({ preventScroll: true });
        window.scrollTo(0, 0);
      });
      return "";
    },
    switchTheme: function (clicks) {
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
  }
});
