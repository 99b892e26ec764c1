// Keys for the desk, and the chart kept where it was looked at. Everything here also has a button.
(function () {
  "use strict";
  var held = null;

  function press(value) {
    var button = document.querySelector('#card button[name="do"][value="' + value + '"]:not(:disabled)');
    if (button) { button.click(); }
    return Boolean(button);
  }
  document.addEventListener("keydown", function (event) {
    if (!event.altKey || event.ctrlKey || event.metaKey) { return; }
    var row = event.target.closest && event.target.closest(".outcome:not(.add)");
    var name = row ? row.querySelector("input").name.slice(2, -"-label".length) : "";
    if (event.key === "ArrowUp" && press(name ? "outcome-up:" + name : "up")) { event.preventDefault(); }
    if (event.key === "ArrowDown" && press(name ? "outcome-down:" + name : "down")) { event.preventDefault(); }
  });
  // Return in the field for one more outcome adds it; elsewhere in a card it only saves.
  document.addEventListener("keydown", function (event) {
    if (event.key === "Enter" && event.target.id === "new-label") { event.preventDefault(); press("add-outcome"); }
  });
  // Typed into the field for one more outcome: nothing to save yet.
  document.addEventListener("htmx:beforeRequest", function (event) {
    var by = event.detail.requestConfig.triggeringEvent;
    if (by && by.target && by.target.id === "new-label" && by.type !== "submit") { event.preventDefault(); }
  });
  // What is typed while an answer is under way is put back into the new card, and saved with the next request.
  var sent = {}, late = [], at = "";
  function fields() { return Array.prototype.slice.call(document.querySelectorAll("#card :is(input, select, textarea)[id]")); }
  function said(field) { return field.type === "checkbox" ? String(field.checked) : field.value; }
  document.addEventListener("htmx:beforeSend", function (event) {
    if (event.detail.elt.id !== "card") { return; }
    sent = {};
    fields().forEach(function (field) { sent[field.id] = said(field); });
  });
  document.addEventListener("htmx:oobBeforeSwap", function (event) {
    if (!event.detail.target || event.detail.target.id !== "desk-steps") { return; }
    late = fields().filter(function (field) { return field.id in sent && sent[field.id] !== said(field); })
      .map(function (field) { return { id: field.id, value: field.value, step: document.querySelector("#card [name=step]").value }; });
    at = late.length && document.activeElement ? document.activeElement.id : "";
  });
  document.addEventListener("htmx:oobAfterSwap", function () {
    var step = document.querySelector("#card [name=step]");
    late.forEach(function (one) {
      var field = document.getElementById(one.id);
      if (!field || (step && step.value !== one.step && one.id.indexOf("o-") === 0)) { return; }
      field.value = one.value;
      field.dispatchEvent(new Event("input", { bubbles: true }));
    });
    if (late.length && at && document.getElementById(at)) { document.getElementById(at).focus(); }
    late = [];
  });
  document.addEventListener("htmx:beforeSwap", function (event) {
    var view = event.detail.target && event.detail.target.id === "desk-chart" && event.detail.target.querySelector(".chart-window");
    var now = view && view.querySelector(".node.now");
    if (view) { held = { left: view.scrollLeft, top: view.scrollTop, now: now ? now.id : "" }; }
  });
  document.addEventListener("htmx:afterSettle", function () {
    var view = document.querySelector("#desk-chart .chart-window");
    var now = view && view.querySelector(".node.now");
    if (view && held && now && now.id === held.now) { view.scrollLeft = held.left; view.scrollTop = held.top; }
    held = null;
  });
})();
