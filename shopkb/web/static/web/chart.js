// Larger, smaller, whole: a chart in its window, by buttons as well as by touch (WCAG 2.5.7).
(function () {
  "use strict";
  var STEP = 1.25, LEAST = 0.25, MOST = 4;

  function natural(svg) {
    var box = svg.viewBox.baseVal;
    var width = box && box.width ? box.width * 4 / 3 : svg.getBoundingClientRect().width; // Graphviz counts in points
    return { width: width, ratio: box && box.width ? box.height / box.width : 1 };
  }
  function set(frame, scale) {
    var svg = frame.querySelector("svg"), size = natural(svg);
    var view = frame.querySelector(".chart-window");
    var before = svg.getBoundingClientRect().width || 1;
    var middle = (view.scrollLeft + view.clientWidth / 2) / before;
    scale = Math.min(MOST, Math.max(LEAST, scale));
    svg.style.width = size.width * scale + "px";
    svg.style.height = size.width * scale * size.ratio + "px";
    frame.dataset.scale = String(scale);
    view.scrollLeft = middle * size.width * scale - view.clientWidth / 2;
  }
  function whole(frame) {
    var view = frame.querySelector(".chart-window"), size = natural(frame.querySelector("svg"));
    set(frame, Math.min(1, (view.clientWidth - 32) / size.width));
  }
  function toNow(frame) {
    var now = frame.querySelector(".node.now") || frame.querySelector(".node"), view = frame.querySelector(".chart-window");
    if (!now) { return; }
    var at = now.getBoundingClientRect(), box = view.getBoundingClientRect();
    view.scrollTop += at.top - box.top - (view.clientHeight - at.height) / 2;
    view.scrollLeft += at.left - box.left - (view.clientWidth - at.width) / 2;
  }
  function start(frame) {
    if (frame.dataset.scale || !frame.querySelector("svg")) { return; }
    frame.querySelectorAll(".chart-tools [data-chart]").forEach(function (button) { button.hidden = false; });
    var size = natural(frame.querySelector("svg")), view = frame.querySelector(".chart-window");
    set(frame, Math.min(1, Math.max(0.85, (view.clientWidth - 32) / size.width)));
    toNow(frame);
  }
  function startAll() { document.querySelectorAll(".chart").forEach(start); }

  document.addEventListener("DOMContentLoaded", startAll);
  document.addEventListener("htmx:afterSettle", startAll);
  document.addEventListener("chart:new", function (event) {
    startAll();
    if (event.detail.scale) { document.querySelectorAll(".chart").forEach(function (frame) { set(frame, event.detail.scale); toNow(frame); }); }
  });
  document.addEventListener("click", function (event) {
    var button = event.target.closest("[data-chart]");
    if (!button) { return; }
    var frame = button.closest(".chart"), scale = Number(frame.dataset.scale) || 1;
    if (button.dataset.chart === "larger") { set(frame, scale * STEP); }
    if (button.dataset.chart === "smaller") { set(frame, scale / STEP); }
    if (button.dataset.chart === "whole") { whole(frame); }
    if (button.dataset.chart === "now") { toNow(frame); }
  });
})();
