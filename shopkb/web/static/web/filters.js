// A row that is being pressed stays under the finger: rows looked up meanwhile wait until it is let go.
(function () {
  "use strict";
  let pressed = false;
  let waiting = [];
  function letGo() {
    // After the click that follows letting go.
    setTimeout(function () {
      pressed = false;
      waiting.splice(0).forEach(function (form) { window.htmx.trigger(form, "change"); });
    }, 0);
  }
  document.addEventListener("pointerdown", function (event) { pressed = Boolean(event.target.closest("a[href]")); });
  document.addEventListener("pointerup", letGo);
  document.addEventListener("pointercancel", letGo);
  document.addEventListener("htmx:beforeOnLoad", function (event) {
    if (!pressed || !event.target.matches("form.filters")) { return; }
    event.preventDefault();
    if (!waiting.includes(event.target)) { waiting.push(event.target); }
  });
})();
