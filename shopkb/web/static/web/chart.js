// Moving about in a chart, by @panzoom/panzoom: drag, wheel, pinch, keys and buttons (WCAG 2.5.7), an overview,
// full screen. Without this script the chart lies in a window that scrolls.
(function () {
  "use strict";
  const POINT = 4 / 3; // CSS pixels to a point, in which Graphviz counts
  const LEAST = 0.08 * POINT, MOST = 4 * POINT, STEP = 1.3, FAR = 0.45, NARROW = 1000, SHIFT = 90, EDGE = 14;
  const SVG = "http://www.w3.org/2000/svg";
  const paper = window.matchMedia("print");
  const views = new WeakMap(), met = new WeakSet();

  class View {
    constructor(frame) {
      this.frame = frame;
      this.window = frame.querySelector(".chart-window");
      this.svg = this.window.querySelector("svg");
      const box = this.svg.viewBox.baseVal;
      this.size = { width: box.width, height: box.height };
      const now = this.svg.querySelector(".node.now");
      this.key = ["chart", location.pathname, frame.dataset.drawing || "", now ? now.id : ""].join(":");
      this.stage = document.createElementNS(SVG, "g");
      this.stage.append(...this.svg.querySelectorAll(":scope > g"));
      this.svg.append(this.stage);
      if (!paper.matches) { ["viewBox", "width", "height"].forEach((name) => this.svg.removeAttribute(name)); }
      frame.classList.add("moves");
      this.motion = Panzoom(this.stage, {
        canvas: true, animate: false, minScale: LEAST, maxScale: MOST, step: 0.5, cursor: "grab", overflow: "hidden",
        touchAction: "none", handleStartEvent: (event) => { event.stopPropagation(); },
        setTransform: (stage, at) => { stage.style.transform = paper.matches ? "none" : "scale(" + at.scale + ") translate(" + at.x + "px, " + at.y + "px)"; },
      });
      this.listen();
      this.drawMap();
      frame.querySelectorAll("[data-chart], .chart-scale").forEach((part) => { part.hidden = false; });
    }
    get room() { return { width: this.window.clientWidth, height: this.window.clientHeight }; }
    get scale() { return this.motion.getScale(); }
    listen() {
      this.svg.addEventListener("wheel", (event) => this.motion.zoomWithWheel(event), { passive: false });
      this.stage.addEventListener("panzoomchange", () => this.changed());
      let from = null, dragged = false;
      this.svg.addEventListener("pointerdown", (event) => { from = event; dragged = false; });
      this.svg.addEventListener("pointermove", (event) => {
        if (from && event.buttons && Math.hypot(event.clientX - from.clientX, event.clientY - from.clientY) > 6) { dragged = true; }
      });
      this.svg.addEventListener("click", (event) => { if (dragged) { event.preventDefault(); event.stopPropagation(); dragged = false; } }, true);
      this.svg.addEventListener("dragstart", (event) => event.preventDefault());
      this.svg.addEventListener("focusin", (event) => { const node = event.target.closest(".node"); if (node && event.target.matches(":focus-visible")) { this.bringIn(node); } });
      this.window.addEventListener("keydown", (event) => this.pressed(event));
      new ResizeObserver(() => this.seen()).observe(this.window);
    }
    pressed(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) { return; }
      const moves = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
      if (moves) { this.shift(moves[0] * SHIFT, moves[1] * SHIFT); }
      else if (event.key === "+" || event.key === "=") { this.zoom(STEP); }
      else if (event.key === "-") { this.zoom(1 / STEP); }
      else if (event.key === "0" || event.key === "Home") { this.whole(); }
      else if (event.key === "f" || event.key === "F") { this.full(); }
      else { return; }
      event.preventDefault();
    }
    shift(x, y) { this.motion.pan(x / this.scale, y / this.scale, { relative: true }); }
    zoom(by) {
      const box = this.svg.getBoundingClientRect();
      this.motion.zoomToPoint(this.scale * by, { clientX: box.left + box.width / 2, clientY: box.top + box.height / 2 });
    }
    place(scale, x, y) {
      this.motion.zoom(scale, { force: true });
      this.motion.pan(x, y, { force: true });
      setTimeout(() => this.motion.pan(x, y, { force: true })); // the library sets its own start once, a moment later
    }
    fit(most) {
      const room = this.room;
      return Math.min(most, (room.width - 2 * EDGE) / this.size.width, (room.height - 2 * EDGE) / this.size.height);
    }
    whole() {
      const room = this.room, scale = Math.max(LEAST, this.fit(POINT));
      this.place(scale, (room.width / scale - this.size.width) / 2, (room.height / scale - this.size.height) / 2);
    }
    // Box of a node in points of the drawing, whatever the window shows.
    boxOf(node) {
      const inner = node.getBBox(), at = node.getCTM(), stage = this.stage.getCTM();
      const left = (at.a * inner.x + at.e - stage.e) / stage.a, top = (at.d * inner.y + at.f - stage.f) / stage.d;
      const by = at.a / stage.a;
      return { left, top, width: inner.width * by, height: inner.height * by };
    }
    centre(node, scale) {
      const box = this.boxOf(node), room = this.room;
      const x = room.width / scale / 2 - box.left - box.width / 2;
      const y = Math.min(room.height / scale / 2 - box.top - box.height / 2, EDGE / scale - box.top + Math.max(0, room.height / scale - box.height - EDGE));
      this.place(scale, x, Math.max(y, room.height / scale / 2 - box.top - box.height / 2));
    }
    bringIn(node) {
      const seen = this.window.getBoundingClientRect(), box = node.getBoundingClientRect();
      if (box.left >= seen.left && box.right <= seen.right && box.top >= seen.top && box.bottom <= seen.bottom) { return; }
      this.centre(node, this.scale);
    }
    nodeNamed(id) { return id ? Array.from(this.svg.querySelectorAll(".node")).find((node) => node.id === id) : null; }
    open() {
      const named = this.nodeNamed(decodeURIComponent(location.hash.slice(1)));
      const kept = this.kept();
      const now = this.svg.querySelector(".node.now");
      if (named) { this.centre(named, POINT); named.classList.add("meant"); }
      else if (kept) { this.place(kept.scale, kept.x, kept.y); }
      else if (now) { this.centre(now, POINT * 0.9); }
      else { this.begin(); }
    }
    // The whole chart where its words can be read so; else its beginning, large enough to be read.
    begin() {
      const scale = this.fit(POINT), first = this.svg.querySelector(".node");
      if (scale >= FAR * POINT || !first) { this.whole(); return; }
      const box = this.boxOf(first), large = 0.85 * POINT, room = this.room;
      const tall = this.size.height * large > room.height && this.frame.dataset.drawing !== "cards";
      const x = tall ? room.width / large / 2 - box.left - box.width / 2 : EDGE / large - box.left;
      this.place(large, x, tall ? EDGE / large - box.top : Math.min(EDGE / large - box.top, Math.max(room.height / large / 3 - box.top, EDGE / large - box.top)));
    }
    kept() {
      try { return JSON.parse(sessionStorage.getItem(this.key)); } catch (error) { return null; }
    }
    changed() {
      const pan = this.motion.getPan(), scale = this.scale;
      this.frame.dataset.scale = String(scale / POINT);
      this.frame.classList.toggle("is-far", scale / POINT < FAR);
      const said = this.frame.querySelector(".chart-scale");
      if (said) { said.textContent = Math.round(scale / POINT * 100) + " %"; }
      try { sessionStorage.setItem(this.key, JSON.stringify({ scale, x: pan.x, y: pan.y })); } catch (error) { /* full or forbidden: the place is not kept */ }
      this.seen();
    }
    drawMap() {
      this.map = this.window.querySelector(".chart-map");
      if (!this.map) { return; }
      const small = document.createElementNS(SVG, "svg");
      small.setAttribute("viewBox", [-20, -20, this.size.width + 40, this.size.height + 40].join(" "));
      small.setAttribute("aria-hidden", "true");
      this.svg.querySelectorAll(".node").forEach((node) => {
        const box = this.boxOf(node);
        small.append(rectangle(box, node.classList.contains("now") ? "now" : ""));
      });
      this.frameOfView = rectangle({ left: 0, top: 0, width: 1, height: 1 }, "seen");
      small.append(this.frameOfView);
      this.map.append(small);
      const go = (event) => {
        if (event.type === "pointermove" && !event.buttons) { return; }
        const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(small.getScreenCTM().inverse()), room = this.room;
        this.motion.pan(room.width / this.scale / 2 - at.x, room.height / this.scale / 2 - at.y);
        event.stopPropagation();
      };
      this.map.addEventListener("pointerdown", go);
      this.map.addEventListener("pointermove", go);
      this.wanted = window.innerWidth >= NARROW;
    }
    seen() {
      if (!this.frameOfView) { return; }
      const pan = this.motion.getPan(), scale = this.scale, room = this.room;
      const part = { x: -pan.x, y: -pan.y, width: room.width / scale, height: room.height / scale };
      Object.entries(part).forEach(([name, value]) => this.frameOfView.setAttribute(name, String(value)));
      const all = part.x <= 0 && part.y <= 0 && part.x + part.width >= this.size.width && part.y + part.height >= this.size.height;
      this.map.hidden = !this.wanted || all;
      const button = this.frame.querySelector('[data-chart="map"]');
      if (button) { button.setAttribute("aria-pressed", String(this.wanted)); }
    }
    // On paper the whole drawing is shrunk to the sheet.
    print() {
      this.svg.setAttribute("viewBox", "0 0 " + this.size.width + " " + this.size.height);
      this.svg.setAttribute("width", this.size.width + "pt");
      this.svg.setAttribute("height", this.size.height + "pt");
      this.stage.style.transform = "none";
    }
    printed() {
      ["viewBox", "width", "height"].forEach((name) => this.svg.removeAttribute(name));
      this.motion.zoom(this.scale, { force: true }); // writes the place anew
    }
    full() {
      if (document.fullscreenElement) { document.exitFullscreen(); } else if (this.frame.requestFullscreen) { this.frame.requestFullscreen().then(() => this.window.focus()); }
    }
    act(what) {
      if (what === "larger") { this.zoom(STEP); }
      if (what === "smaller") { this.zoom(1 / STEP); }
      if (what === "whole") { this.whole(); }
      if (what === "now") { const now = this.svg.querySelector(".node.now"); if (now) { this.centre(now, POINT); } }
      if (what === "map") { this.wanted = !this.wanted; this.seen(); }
      if (what === "full") { this.full(); }
    }
  }

  function rectangle(box, name) {
    const made = document.createElementNS(SVG, "rect");
    const part = { x: box.left, y: box.top, width: box.width, height: box.height, class: name };
    Object.entries(part).forEach(([key, value]) => made.setAttribute(key, String(value)));
    return made;
  }

  // Top down on a narrow screen, left to right on a wide one, unless the address asks for one of them.
  async function suit(frame) {
    const shown = frame.dataset.drawing, wish = window.innerWidth < NARROW ? "cards-down" : "cards";
    const asked = new URL(location.href);
    if (!frame.querySelector(".chart-drawings") || asked.searchParams.has("drawing") || shown === wish || shown === "flowchart") { return frame; }
    asked.searchParams.set("drawing", wish);
    try {
      const answer = await fetch(asked, { headers: { Accept: "text/html" } });
      const other = answer.ok && new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("figure.chart");
      if (other) { met.add(other); frame.replaceWith(other); return other; }
    } catch (error) { /* no network: the drawing at hand serves */ }
    return frame;
  }
  function start(frame) {
    if (views.has(frame) || frame.dataset.scale || !frame.querySelector(".chart-window > svg")) { return; }
    const view = new View(frame);
    views.set(frame, view);
    view.open();
    view.changed();
  }
  function startAll() { document.querySelectorAll(".chart").forEach((frame) => { if (!met.has(frame)) { met.add(frame); suit(frame).then(start); } }); }

  const turn = () => document.querySelectorAll(".chart").forEach((frame) => {
    const view = views.get(frame);
    if (view) { if (paper.matches) { view.print(); } else { view.printed(); } }
  });
  paper.addEventListener("change", turn);

  document.addEventListener("DOMContentLoaded", startAll);
  document.addEventListener("htmx:afterSettle", startAll);
  document.addEventListener("chart:new", startAll);
  window.addEventListener("hashchange", () => {
    document.querySelectorAll(".chart").forEach((frame) => {
      const view = views.get(frame), named = view && view.nodeNamed(decodeURIComponent(location.hash.slice(1)));
      if (named) { view.centre(named, POINT); }
    });
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-chart]"), view = button && views.get(button.closest(".chart"));
    if (view) { view.act(button.dataset.chart); }
  });
})();
