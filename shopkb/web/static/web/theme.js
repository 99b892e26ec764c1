// Light, dark, or as the device says. Runs before the first paint; the choice stays on this device.
(function () {
  "use strict";
  var KEY = "theme";
  var root = document.documentElement;

  function stored() {
    try { return localStorage.getItem(KEY); } catch (refused) { return null; }
  }
  function store(theme) {
    try {
      if (theme) { localStorage.setItem(KEY, theme); } else { localStorage.removeItem(KEY); }
    } catch (refused) { /* Storage is switched off: the choice holds for this page. */ }
  }
  function apply(theme) {
    if (theme === "light" || theme === "dark") { root.setAttribute("data-theme", theme); } else { root.removeAttribute("data-theme"); }
  }
  function show() {
    var now = root.getAttribute("data-theme") || "device";
    document.querySelectorAll("[data-theme-choice]").forEach(function (button) {
      button.setAttribute("aria-pressed", String(button.dataset.themeChoice === now));
      button.closest("[data-theme-switch]").hidden = false;
    });
  }

  apply(stored());
  document.addEventListener("DOMContentLoaded", show);
  document.addEventListener("click", function (event) {
    var button = event.target.closest("[data-theme-choice]");
    if (!button) { return; }
    var theme = button.dataset.themeChoice === "device" ? "" : button.dataset.themeChoice;
    store(theme);
    apply(theme);
    show();
  });
})();
