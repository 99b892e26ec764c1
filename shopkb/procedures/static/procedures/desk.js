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
      refusals(item);
      remarks();
      unfolded();
      if (mark) { document.querySelectorAll(".based-on").forEach((field) => { field.value = mark.value; }); }
      const address = answer.headers.get("HX-Replace-Url");
      if (address) { history.replaceState(null, "", address); }
      if (/^f-(new-cause|copy)$/.test(item.form) && kind === "cards") { close(item); }
      const to = answer.headers.get("Desk-Dialog");
      if (to && kind !== "refused") { dialog(to); }
      if (kind === "refused") { toRefused(); } else { redraw(); }
    },
    toRefused: toRefused,
  };
  // What was not understood is said under its field, and the field is marked. Focus goes there when a button was
  // pressed; who only went on to the next field is not pulled back (the state line leads there).
  function refusals(item) {
    const list = document.querySelectorAll("#desk-refused [data-field]");
    document.querySelectorAll(".refused[data-of]").forEach((said) => {
      const form = document.getElementById(said.dataset.of).form;
      if (!form || form.id === item.form) { cleared(document.getElementById(said.dataset.of)); }
    });
    list.forEach((one) => {
      const field = document.getElementById(one.dataset.field);
      if (!field) { return; }
      if (item.pausing && field === document.activeElement) {
        field.addEventListener("blur", () => { if (!saving.waits(field.form.id)) { marked(field, one.textContent); } }, { once: true });
      } else { marked(field, one.textContent); }
    });
    const form = document.getElementById(item.form);
    if (list.length && (item.pressed || (form && form.dataset.saves === "asked"))) { toRefused(); }
  }
  function marked(field, words) {
    cleared(field);
    const said = document.createElement("p");
    said.className = "refused";
    said.id = field.id + "-refused";
    said.dataset.of = field.id;
    said.setAttribute("role", "alert");
    said.textContent = words;
    (field.closest(".field") || field.parentElement).append(said);
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", said.id);
  }
  function cleared(field) {
    const said = document.getElementById(field.id + "-refused");
    if (said) { said.remove(); }
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-describedby");
  }
  // A remark on a field stands under that field.
  function remarks() {
    document.querySelectorAll(".remarks-here [data-about]").forEach((said) => {
      const field = document.getElementById(said.dataset.about), place = field && field.closest(".field, .title-line");
      if (!place) { return; }
      const note = document.createElement("p");
      note.className = "remark-here";
      note.textContent = said.textContent.trim();
      place.append(note);
      said.remove();
    });
  }
  function toRefused() {
    const field = document.querySelector("[aria-invalid=true]"), said = document.querySelector("#desk-said .errors-above");
    const there = field || said;
    if (!there) { return; }
    const folded = there.closest("details:not([open])");
    if (folded) { folded.open = true; }
    there.focus();
    there.scrollIntoView({ block: "center" });
  }
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
      const told = field.form && (saving.refused.get(field.form.id) || []).includes(field.id);
      if (field.form && field.form.matches("[data-saves=typed]") && field.id !== "new-label" && !told) { forms.add(field.form); }
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

  // The dialog for causes. Closed without choosing, it still holds what was typed when it is opened for the same again.
  async function dialog(address) {
    const box = document.getElementById("desk-dialog");
    if (box.dataset.shows !== address) {
      const answer = await fetch(address, { headers: { "HX-Request": "true" } });
      if (!answer.ok || answer.redirected) { location.href = address; return; }
      box.innerHTML = await answer.text();
      box.dataset.shows = address;
      saving.know(box.querySelector("form[data-saves]"));
      const mark = document.querySelector(".based-on");
      box.querySelectorAll(".based-on").forEach((field) => { field.value = mark.value; });
    }
    if (!box.open) { box.showModal(); }
    (box.querySelector("#nc-q, #cp-1, #cp-from") || box.querySelector("input:not([type=hidden])") || box.querySelector("a")).focus();
  }
  function close(item) {
    const box = document.getElementById("desk-dialog"), outcome = new Map(item.entries).get("outcome");
    box.close();
    box.replaceChildren();
    delete box.dataset.shows;
    if (item.form === "f-new-cause") { pick(document.querySelector(outcome ? '#card [value="new-cause:' + outcome + '"]' : "#d-causes > summary")); }
  }
  document.addEventListener("click", (event) => {
    const way = event.target.closest && event.target.closest("[data-dialog], [data-close]");
    if (!way || event.ctrlKey || event.metaKey) { return; }
    event.preventDefault();
    event.stopPropagation();
    if (way.matches("[data-close]")) { document.getElementById("desk-dialog").close(); } else { dialog(way.getAttribute("href")); }
  }, true);
  function chosen(form) { dialog(form.getAttribute("action") + "?" + new URLSearchParams(new FormData(form))); }
  // A part that is not in the list is called what was sought, until it is called otherwise.
  function named() {
    const fresh = document.getElementById("pick-new"), name = document.getElementById("nc-part");
    if (fresh && fresh.checked && !name.dataset.typed) { name.value = document.getElementById("nc-q").value; }
  }
  let byHand = false; // chosen since the words were typed: what is found later does not take the choice away
  document.addEventListener("change", (event) => { if (event.target.name === "pick") { byHand = true; named(); } });
  let pause = 0;
  async function seek(form) {
    clearTimeout(pause);
    const words = form.elements.q.value, query = new URLSearchParams(new FormData(form));
    const answer = await fetch(form.getAttribute("action") + "?" + query, { headers: { "HX-Request": "true" } });
    if (!answer.ok || answer.redirected || form.elements.q.value !== words) { return; }
    const found = part(await answer.text()), shown = document.getElementById("cause-pick");
    if (!shown) { return; } // the dialog was closed meanwhile
    const focused = document.activeElement, inside = shown.contains(focused), chosen = byHand && shown.querySelector("input:checked");
    const fresh = Array.from(found.querySelectorAll("input[name=pick]")), like = (old) => old && fresh.find((one) => one.value === old.value);
    if (like(chosen)) { like(chosen).checked = true; }
    shown.replaceWith(found);
    if (inside) { pick(like(focused) || fresh.find((one) => one.checked)); }
    named();
  }
  document.addEventListener("submit", (event) => {
    if (event.target.matches("#desk-dialog .choose")) { event.preventDefault(); chosen(event.target); return; }
    if (!event.target.matches("#desk-dialog .seek")) { return; }
    event.preventDefault();
    event.stopPropagation();
    seek(event.target).then(() => pick(document.querySelector("#cause-pick input:checked")));
  }, true);
  document.addEventListener("input", (event) => {
    if (event.target.id !== "nc-q") { return; }
    byHand = false;
    clearTimeout(pause);
    pause = setTimeout(() => seek(event.target.form), 150);
  });
  document.addEventListener("input", (event) => { if (event.target.id === "nc-part") { event.target.dataset.typed = "yes"; } });

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
  document.addEventListener("click", (event) => {
    const pressed = event.target.closest && event.target.closest("#desk-goto, #desk-fold");
    if (!pressed) { return; }
    if (pressed.id === "desk-goto") { toRefused(); return; }
    const side = document.getElementById("desk-side"), folded = side.classList.toggle("folded");
    unfolded();
    if (!folded) { side.focus(); side.scrollIntoView(); redraw(); }
  });
  // Where the page is narrow, the chart is folded under a button of the state line.
  function unfolded() {
    const button = document.getElementById("desk-fold");
    button.hidden = false;
    button.setAttribute("aria-expanded", String(!document.getElementById("desk-side").classList.contains("folded")));
  }
  // A trial opens in a window of the size of a phone or tablet, once everything typed is saved.
  document.addEventListener("click", (event) => {
    const way = event.target.closest && event.target.closest("[data-window]");
    if (!way || event.defaultPrevented || event.ctrlKey || event.metaKey) { return; }
    const [width, height] = way.dataset.window.split("x");
    event.preventDefault();
    const there = window.open(way.href, "trial", "popup,width=" + width + ",height=" + Math.min(height, screen.availHeight));
    if (there) { there.focus(); } else { location.href = way.href; }
    way.closest("details").open = false;
  });
  document.addEventListener("DOMContentLoaded", () => {
    document.getElementById("desk-side").classList.add("folded");
    unfolded();
    remarks();
    const first = document.querySelector("#card [data-first]");
    if (first && !document.querySelector(".errors-above")) { pick(first); if (first.value && first.select) { first.select(); } }
  });
})();
