// Arrows and letters drawn on a picture with a pointer: they fill in the rows of numbers below it, which the server
// draws from. What stands in the rows is shown on the picture as it is typed.
(function () {
  "use strict";
  const SVG = "http://www.w3.org/2000/svg", TAP = 12;
  const LINE = 0.008, HEAD = 0.04, LETTER = 0.045; // as the server draws
  const figure = document.querySelector(".marking");
  if (!figure) { return; }
  const paper = figure.querySelector("svg"), size = paper.viewBox.baseVal, side = Math.max(size.width, size.height);
  const rows = Array.from(document.querySelectorAll("[data-mark]")).map(function (row) {
    const field = (name) => row.querySelector('[name$="-' + name + '"]');
    return { letter: field("letter"), x: field("x"), y: field("y"), from_x: field("from_x"), from_y: field("from_y") };
  });
  const last = document.querySelector('[data-marks="last"]');
  const filled = (row) => row.x.value !== "" && row.y.value !== "";

  function shape(name, about, text) {
    const made = document.createElementNS(SVG, name);
    Object.entries(about).forEach(([key, value]) => made.setAttribute(key, String(value)));
    if (text) { made.textContent = text; }
    return made;
  }
  function arrow(tail, tip, more, tone) {
    const length = Math.hypot(tip[0] - tail[0], tip[1] - tail[1]);
    if (!length) { return []; }
    const along = [(tip[0] - tail[0]) / length, (tip[1] - tail[1]) / length];
    const head = HEAD * side + more, half = HEAD * side / 2.6 + more * 0.7;
    const point = [tip[0] + along[0] * more * 0.6, tip[1] + along[1] * more * 0.6];
    const back = [point[0] - along[0] * head, point[1] - along[1] * head];
    const wing = (way) => [back[0] - along[1] * half * way, back[1] + along[0] * half * way].join(",");
    return [
      shape("line", { x1: tail[0], y1: tail[1], x2: back[0], y2: back[1], class: tone, "stroke-width": LINE * side + more }),
      shape("polygon", { points: [point.join(","), wing(1), wing(-1)].join(" "), class: tone }),
    ];
  }
  function parts(mark) {
    const at = (x, y) => [Number(x) / 100 * size.width, Number(y) / 100 * size.height];
    const tip = at(mark.x, mark.y), has = mark.from_x !== "" && mark.from_y !== "";
    const stand = has ? at(mark.from_x, mark.from_y) : tip, height = LETTER * side;
    const made = has ? [...arrow(stand, tip, 2 * LINE * side, "edge"), ...arrow(stand, tip, 0, "ink")] : [];
    if (mark.letter) {
      made.push(shape("circle", { cx: stand[0], cy: stand[1], r: height * 0.85, "stroke-width": height / 9 }));
      made.push(shape("text", { x: stand[0], y: stand[1], "font-size": height, dy: "0.36em" }, mark.letter));
    }
    return made;
  }
  const valued = (row) => Object.fromEntries(Object.entries(row).map(([name, field]) => [name, field.value]));
  function show(more) {
    const marks = rows.filter(filled).map(valued).concat(more ? [more] : []);
    paper.replaceChildren(...marks.flatMap(parts));
    last.disabled = !rows.some(filled);
  }
  function letter() {
    const used = rows.filter(filled).map((row) => row.letter.value);
    return Array.from("ABCDEFGHIJKLMNOP").find((one) => !used.includes(one)) || "";
  }
  function place(event) {
    const box = paper.getBoundingClientRect(), part = (value, all) => Math.min(100, Math.max(0, value / all * 100)).toFixed(1);
    return [part(event.clientX - box.left, box.width), part(event.clientY - box.top, box.height)];
  }
  let begun = null;
  function drawn(event) {
    const far = Math.hypot(event.clientX - begun.clientX, event.clientY - begun.clientY) > TAP;
    const [x, y] = place(event), [from_x, from_y] = place(begun);
    return far ? { letter: letter(), x, y, from_x, from_y } : { letter: letter(), x: from_x, y: from_y, from_x: "", from_y: "" };
  }
  paper.addEventListener("pointerdown", function (event) {
    if (event.button || !rows.some((row) => !filled(row))) { return; }
    event.preventDefault();
    begun = event;
    paper.setPointerCapture(event.pointerId);
  });
  paper.addEventListener("pointermove", function (event) { if (begun) { show(drawn(event)); } });
  paper.addEventListener("pointercancel", function () { begun = null; show(); });
  paper.addEventListener("pointerup", function (event) {
    if (!begun) { return; }
    const mark = drawn(event), row = rows.find((one) => !filled(one));
    begun = null;
    Object.entries(mark).forEach(([name, value]) => { row[name].value = value; });
    show();
  });
  last.addEventListener("click", function () {
    const row = rows.filter(filled).pop();
    if (row) { Object.values(row).forEach((field) => { field.value = ""; }); }
    show();
  });
  document.addEventListener("input", () => show());
  last.hidden = false;
  show();
})();
