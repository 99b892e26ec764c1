// A filter chosen before the page could act on it (a slow network), or put back by the browser, is looked up too.
(function () {
  "use strict";
  function changed(field) {
    if (field.options) {
      return field.selectedIndex !== Math.max(0, Array.from(field.options).findIndex(function (one) { return one.defaultSelected; }));
    }
    return field.type !== "hidden" && "defaultValue" in field && field.value !== field.defaultValue;
  }

  // A row that is being pressed stays under the finger: rows looked up meanwhile wait until it is let go.
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

  document.addEventListener("htmx:load", function () {
    document.querySelectorAll("form.filters[hx-get]").forEach(function (form) {
      if (Array.from(form.elements).some(changed)) { window.htmx.trigger(form, "change"); }
    });
  }, {once: true});
})();
