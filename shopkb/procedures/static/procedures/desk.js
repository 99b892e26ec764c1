// The desk: answers of saving put on the page without taking a word from under the fingers; keys; the chart kept
// where it was looked at. Everything here also has a button.
(function () {
  "use strict";
  const saving = window.saving;

  function step() { const field = document.querySelector("#card [name=step]"); return field ? field.value : ""; }
  function part(text) {
    const frame = document.createElement("template");
    frame.innerHTML = text;
    return frame.content;
  }

  // Answers ---------------------------------------------------------------------------------------------------------
  window.desk = {
    show: function (kind, item, answer, text) {
      const come = part(text), renamed = names(answer.headers.get("Desk-Renamed"));
      const mark = come.querySelector(".based-on");
      if (kind === "both") { both(come, item); return; }
      saving.queue.forEach((waiting) => { waiting.entries = waiting.entries.map((pair) => rename(pair, renamed)); });
      if (kind === "cards") { cards(come, item, renamed); }
      Array.from(come.children).forEach(replace);
      if (mark) { document.querySelectorAll(".based-on").forEach((field) => { field.value = mark.value; }); }
      const address = answer.headers.get("HX-Replace-Url");
      if (address) { history.replaceState(null, "", address); }
      if (kind !== "refused") { redraw(); }
    },
  };
  function replace(element) {
    const old = element.id && document.getElementById(element.id);
    if (!old) { return; }
    const focused = document.activeElement, inside = old.contains(focused);
    old.replaceWith(element);
    if (window.htmx) { window.htmx.process(element); }
    if (inside) { pick(same(element, focused) || element); }
  }
  function same(within, field) {
    if (field.id) { return document.getElementById(field.id); }
    return Array.from(within.querySelectorAll("button, a")).find((one) => one.value === field.value && one.textContent === field.textContent);
  }
  function pick(field) { if (field && !field.disabled) { field.focus({ preventScroll: true }); } }

  // Keys follow first words: what waits to be sent, and what was typed since, follows them.
  function names(header) { return new Map((header || "").split(" ").filter(Boolean).map((pair) => pair.split("="))); }
  function rename(pair, renamed) {
    let name = pair[0], value = pair[1];
    const field = /^o-(.+)-([a-z]+)$/.exec(name), pressed = /^([a-z-]+):(.+)$/.exec(value);
    if (field && renamed.has("outcome:" + field[1])) { name = "o-" + renamed.get("outcome:" + field[1]) + "-" + field[2]; }
    if (/^(step|open|needs|start)$/.test(name) && renamed.has("step:" + value)) { value = renamed.get("step:" + value); }
    if (field && field[2] === "go" && pressed && renamed.has(value)) { value = "step:" + renamed.get(value); }
    if (name === "do" && pressed && renamed.has("outcome:" + pressed[2])) { value = pressed[1] + ":" + renamed.get("outcome:" + pressed[2]); }
    return [name, value];
  }
  function cards(come, item, renamed) {
    const old = document.getElementById("desk-steps"), fresh = come.getElementById("desk-steps");
    const was = step(), still = renamed.get("step:" + was) || was;
    const open = fresh.querySelector("#card [name=step]"), now = open ? open.value : "";
    const card = document.getElementById("card"), locked = saving.queue.some((waiting) => waiting.closes);
    if (card && now !== still && !card.dataset.locked && saving.later(card).length) {
      const last = saving.copy(card, null); // typed before the next card came: it belongs to this one
      last.entries = last.entries.map((pair) => rename(pair, renamed));
      saving.queue.unshift(last);
      saving.forget("card");
    }
    const late = [];
    old.querySelectorAll("form").forEach((form) => {
      if (form.id === "card" && now !== still) { return; }
      const changed = form.matches("[data-saves]") ? saving.later(form) : Array.from(form.elements).filter((one) => one.id && one.value !== one.defaultValue);
      changed.forEach((field) => late.push({ form: form.id, id: rename([field.id, ""], renamed)[0], said: saving.said(field), field: field }));
    });
    if (item.pressed === "add-outcome") {
      const words = item.values.get("new-label");
      late.splice(0, late.length, ...late.filter((one) => one.id !== "new-label" || one.said !== words));
    }
    const held = place(old, now !== still);
    old.replaceWith(fresh);
    if (window.htmx) { window.htmx.process(fresh); }
    fresh.querySelectorAll("details[id]").forEach((one) => { if (held.open.has(one.id)) { one.open = true; } });
    saving.begin();
    bring(late);
    if (locked && now && now === still) { saving.lock(document.getElementById("card")); }
    focus(held, now !== still, item);
  }
  function bring(late) {
    const forms = new Set();
    late.forEach((one) => {
      const field = document.getElementById(one.id);
      if (!field) { return; }
      if (field.type === "checkbox") { field.checked = one.field.checked; } else if (field.multiple) {
        Array.from(field.options).forEach((option) => { option.selected = one.said.split("\n").includes(option.value); });
      } else { field.value = one.field.value; }
      if (field.form && field.form.matches("[data-saves=typed]") && field.id !== "new-label") { forms.add(field.form); }
    });
    forms.forEach((form) => { if (!saving.waits(form.id)) { saving.save(form, null); } });
  }
  function place(old, moved) {
    const field = document.activeElement;
    const mine = old.contains(field) && !moved;
    return {
      open: new Set(Array.from(old.querySelectorAll("details[id][open]"), (one) => one.id)),
      field: mine ? field : null,
      from: mine && "selectionStart" in field ? [field.selectionStart, field.selectionEnd] : null,
      top: mine ? field.getBoundingClientRect().top : 0,
    };
  }
  function focus(held, moved, item) {
    if (moved) {
      const first = document.querySelector("#card [data-first]");
      if (first) { first.closest("li").scrollIntoView({ block: "nearest" }); pick(first); if (first.select) { first.select(); } }
      return;
    }
    const adding = item.pressed === "add-outcome" && (!held.field || held.field.value === "add-outcome");
    if (adding) { pick(document.getElementById("new-label")); return; }
    if (!held.field) { return; }
    const there = same(document.getElementById("desk-steps"), held.field);
    if (!there) { return; }
    pick(there);
    if (held.from && there.setSelectionRange && held.from[0] !== null) { there.setSelectionRange(held.from[0], held.from[1]); }
    window.scrollBy(0, there.getBoundingClientRect().top - held.top);
  }
  // Somebody else saved the same: shown with the newest words, and nothing more is sent until one is chosen.
  function both(come, item) {
    const card = document.getElementById(item.form);
    if (card && card.isConnected && changedSince(card, item)) {
      const last = saving.copy(card, null);
      last.based = item.based;
      saving.queue.splice(0, saving.queue.length, ...saving.queue.filter((one) => one.form !== item.form));
      saving.forget(item.form);
      saving.queue.unshift(last);
      return;
    }
    saving.halt();
    Array.from(come.children).forEach(replace);
    const said = document.querySelector("#desk-steps [role=alert]");
    if (said) { said.focus(); }
  }
  function changedSince(form, item) { return saving.fields(form).some((field) => field.id !== "new-label" && item.values.get(field.id) !== saving.said(field)); }

  // The chart -------------------------------------------------------------------------------------------------------
  let asked = null;
  async function redraw() {
    const side = document.getElementById("desk-side");
    if (asked) { asked.abort(); }
    const mine = asked = new AbortController();
    try {
      const answer = await fetch(side.dataset.chart + "?step=" + step(), { headers: { "HX-Request": "true" }, signal: mine.signal });
      if (!answer.ok || answer.redirected) { return; }
      const text = await answer.text(), view = side.querySelector(".chart-window"), frame = side.querySelector(".chart");
      const before = view && side.querySelector(".node.now");
      const held = view ? { left: view.scrollLeft, top: view.scrollTop, now: before ? before.id : "" } : null;
      Array.from(part(text).children).forEach(replace);
      document.dispatchEvent(new CustomEvent("chart:new", { detail: { scale: frame ? Number(frame.dataset.scale) : 0 } }));
      const after = side.querySelector(".chart-window"), now = side.querySelector(".node.now");
      if (after && held && now && now.id === held.now) { after.scrollLeft = held.left; after.scrollTop = held.top; }
    } catch (error) { if (error.name !== "AbortError") { return; } }
  }

  // Keys ------------------------------------------------------------------------------------------------------------
  function press(value) {
    const button = document.querySelector('#card button[name="do"][value="' + value + '"]:not(:disabled)');
    if (button) { button.click(); }
    return Boolean(button);
  }
  document.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.id === "new-label") { event.preventDefault(); press("add-outcome"); return; }
    if (!event.altKey || event.ctrlKey || event.metaKey) { return; }
    const row = event.target.closest && event.target.closest(".outcome:not(.add)");
    const name = row ? row.querySelector("input").name.slice(2, -"-label".length) : "";
    if (event.key === "ArrowUp" && press(name ? "outcome-up:" + name : "up")) { event.preventDefault(); }
    if (event.key === "ArrowDown" && press(name ? "outcome-down:" + name : "down")) { event.preventDefault(); }
  });
  document.addEventListener("DOMContentLoaded", () => {
    const first = document.querySelector("#card [data-first]");
    if (first && !document.querySelector(".errors-above")) { pick(first); if (first.value && first.select) { first.select(); } }
  });
})();
