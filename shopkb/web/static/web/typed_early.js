// On a slow network a person types or chooses before the scripts are there, and nothing has listened. What differs by
// then from what the page came with, or was put back by the browser, is told to the page once it can act on it.
(function () {
  "use strict";
  function differs(field) {
    if (!field.options) { return field.value !== field.defaultValue; }
    const first = Array.from(field.options).findIndex(function (one) { return one.defaultSelected; });
    return field.selectedIndex !== Math.max(0, first);
  }
  document.addEventListener("htmx:load", function () {
    document.querySelectorAll('main input:not([type="hidden"]), main select').forEach(function (field) {
      if (!differs(field)) { return; }
      ["input", "change"].forEach(function (name) { field.dispatchEvent(new Event(name, {bubbles: true})); });
    });
  }, {once: true});
})();
