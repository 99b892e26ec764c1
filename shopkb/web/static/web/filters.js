// A filter chosen before the page could act on it (a slow network), or put back by the browser, is looked up too.
(function () {
  "use strict";
  function changed(field) {
    if (field.options) {
      return field.selectedIndex !== Math.max(0, Array.from(field.options).findIndex(function (one) { return one.defaultSelected; }));
    }
    return field.type !== "hidden" && "defaultValue" in field && field.value !== field.defaultValue;
  }
  document.addEventListener("htmx:load", function () {
    document.querySelectorAll("form.filters[hx-get]").forEach(function (form) {
      if (Array.from(form.elements).some(changed)) { window.htmx.trigger(form, "change"); }
    });
  }, {once: true});
})();
