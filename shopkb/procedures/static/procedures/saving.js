// One thing saved after the other, nothing typed ever dropped. Forms with data-saves belong to this queue:
// "typed" saves while one types, "asked" only by its button. What is sent is a copy made when it was said, so it does
// not matter whether the form is still there when its turn comes. desk.js shows the answers.
(function () {
  "use strict";
  const PAUSE = 600, LONGEST = 2000, AGAIN = 3000;
  const queue = [], timers = new Map(), since = new Map(), base = new Map(), refused = new Map();
  let busy = null, onward = null, halted = false, leaving = false, showing = false, shown = false;

  function fields(form) {
    return Array.from(form.elements).filter((field) => field.id && field.name && field.type !== "hidden" && field.type !== "submit");
  }
  function said(field) {
    if (field.type === "checkbox") { return String(field.checked); }
    if (field.multiple) { return Array.from(field.selectedOptions, (one) => one.value).join("\n"); }
    return field.value;
  }
  function values(form) { return new Map(fields(form).map((field) => [field.id, said(field)])); }
  function later(form) {
    const then = base.get(form.id) || new Map();
    return fields(form).filter((field) => then.get(field.id) !== said(field));
  }
  // What the field is called, and of which outcome.
  function named(field) {
    const label = field.labels && field.labels[0], row = field.closest(".outcome"), first = row && row.querySelector("input");
    const own = label && label.firstChild ? label.firstChild.textContent.trim() : ""; // without what is said beside the name
    const words = own || (label ? label.textContent.trim().replace(/\s+/g, " ") : field.name);
    return first && first !== field && first.value ? "“" + first.value + "”, " + words : words;
  }
  function all() { return Array.from(document.querySelectorAll("form[data-saves]")); }
  function typed(form) { return form.dataset.saves === "typed"; }

  function copy(form, button) {
    const entries = Array.from(new FormData(form));
    if (button && button.name) { entries.push([button.name, button.value]); }
    const about = form.querySelector("[name=step]");
    return { form: form.id, action: form.getAttribute("action"), entries: entries, values: values(form), pressed: button ? button.value : "",
      step: about ? about.value : "", changed: later(form).map((field) => ({ id: field.id, said: said(field), label: named(field) })),
      closes: Boolean(button && /^(delete$|new-step:)/.test(button.value)) };
  }
  function put(item) {
    const at = queue.length - 1;
    if (!item.pressed && at >= 0 && queue[at].form === item.form && !queue[at].pressed) { queue[at] = item; } else { queue.push(item); }
    send();
  }
  function forget(id) { clearTimeout(timers.get(id)); timers.delete(id); since.delete(id); }
  function save(form, button, pausing) {
    forget(form.id);
    if (button && button.value === "save") { button = null; }
    if (form.dataset.locked || (!button && typed(form) && known(form))) { tell(); return; }
    const item = copy(form, button);
    item.pausing = Boolean(pausing);
    if (!pausing) { item.entries.push(["left", "yes"]); }
    if (item.closes) { lock(form); }
    put(item);
  }
  function known(form) {
    const last = queue.concat().reverse().find((item) => item.form === form.id) || (busy && busy.form === form.id ? busy : null);
    return last ? fields(form).every((field) => last.values.get(field.id) === said(field)) : !later(form).length;
  }
  // A card that is about to be closed takes no more words: they would have nowhere to go.
  function lock(form) {
    form.dataset.locked = "yes";
    form.setAttribute("aria-busy", "true");
    Array.from(form.elements).forEach((field) => { if (!field.disabled) { field.disabled = true; field.dataset.lent = "yes"; } });
  }
  function unlock(form) {
    delete form.dataset.locked;
    form.removeAttribute("aria-busy");
    form.querySelectorAll("[data-lent]").forEach((field) => { field.disabled = false; delete field.dataset.lent; });
  }
  // After a pause; who types without one is saved all the same.
  function soon(form) {
    clearTimeout(timers.get(form.id));
    if (!since.has(form.id)) { since.set(form.id, Date.now()); }
    const wait = Math.max(0, Math.min(PAUSE, since.get(form.id) + LONGEST - Date.now()));
    timers.set(form.id, setTimeout(() => { const there = document.getElementById(form.id); if (there) { save(there, null, true); } }, wait));
    tell();
  }
  function unsaved() { return Boolean(busy || queue.length || timers.size || all().some((form) => typed(form) && later(form).length)); }
  // Whether anything was typed that was not even sent yet.
  function fresh() { return timers.size > 0 || all().some((form) => typed(form) && later(form).some((field) => !(refused.get(form.id) || []).includes(field.id))); }
  function flush() { all().forEach((form) => { if (typed(form) && (timers.has(form.id) || later(form).length)) { save(form, null); } }); }

  function based() { const field = document.querySelector(".based-on"); return field ? field.value : ""; }
  async function send() {
    if (busy || halted || !queue.length) { return; }
    busy = queue.shift();
    busy.based = busy.based || based();
    tell();
    const body = new URLSearchParams(busy.entries.map(([name, value]) => [name, name === "based_on" ? busy.based : value]));
    let answer, text;
    try {
      answer = await fetch(busy.action, { method: "POST", body: body, headers: { "HX-Request": "true" }, credentials: "same-origin" });
      if (answer.redirected || !answer.headers.get("Desk-Answer")) { throw new Error(answer.redirected ? "signed out" : String(answer.status)); }
      text = await answer.text();
    } catch (error) {
      again(error);
      return;
    }
    await hands.off();
    answered(busy, answer, text);
  }
  // No answer is shown while a button or a key is held, or a character is being composed: the press would miss.
  const hands = (function () {
    let down = 0, waiting = [];
    function free() { if (!down) { const all = waiting; waiting = []; all.forEach((go) => go()); } }
    ["pointerdown", "compositionstart"].forEach((name) => document.addEventListener(name, () => { down = 1; }, true));
    ["pointerup", "pointercancel", "compositionend"].forEach((name) => document.addEventListener(name, () => { down = 0; setTimeout(free, 30); }, true));
    return { off: () => (down ? new Promise((go) => { waiting.push(go); setTimeout(() => { down = 0; free(); }, 2000); }) : Promise.resolve()) };
  })();
  function again(error) {
    queue.unshift(busy);
    busy = null;
    tell(error.message === "signed out" ? "Not saved: you are signed out. Sign in again in another window; your text is kept here."
      : "Not saved: no answer from the shop's computer. Your text is kept here and sent again.");
    setTimeout(send, AGAIN);
  }
  function answered(item, answer, text) {
    const kind = answer.headers.get("Desk-Answer") || "";
    const not = (answer.headers.get("Desk-Refused") || "").split(" ").filter(Boolean);
    if (kind === "refused" || not.length) {
      refused.set(item.form, not);
      onward = null;
      const form = document.getElementById(item.form);
      if (form) { unlock(form); }
    } else if (kind !== "both") { refused.delete(item.form); }
    if (kind === "saved" || kind === "cards") {
      if (item.pressed !== "add-outcome" && item.values.has("new-label")) { item.values.set("new-label", ""); } // only its button takes it
      not.forEach((id) => item.values.delete(id)); // still unsaved: it stays in its field
      base.set(item.form, item.values);
    }
    const to = answer.headers.get("HX-Redirect");
    showing = true; // a field taken off the page says "change" once more: it has been brought over already
    if (to) { onward = onward || (() => { location.href = to; }); } else { window.desk.show(kind, item, answer, text); }
    showing = false;
    busy = null;
    tell();
    if (queue.length) { send(); } else if (onward && !halted) { const go = onward; onward = null; leaving = true; go(); }
  }

  // Away from the page only when everything is saved.
  function first(event, then) {
    if (!unsaved() || halted || leaving) { return; }
    if (refused.size && !busy && !queue.length && !fresh()) { // shown once; who goes on all the same finds it again later
      if (shown) { leaving = true; return; }
      event.preventDefault();
      event.stopPropagation();
      shown = true;
      window.desk.toRefused();
      return;
    }
    event.preventDefault();
    event.stopPropagation();
    onward = then;
    flush();
    if (!busy && !queue.length) { onward = null; then(); }
  }
  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest("a");
    const to = link && (link.getAttribute("href") || link.getAttribute("xlink:href"));
    if (!to || to[0] === "#" || event.ctrlKey || event.metaKey || event.shiftKey || event.button) { return; }
    const same = link.dataset.window && 'a[data-window="' + link.dataset.window + '"]';
    first(event, () => { if (same) { leaving = false; document.querySelector(same).click(); } else { location.href = to; } });
  }, true);
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.matches(".seek, .choose")) { return; }
    if (form.matches("form[data-saves]")) {
      event.preventDefault();
      save(form, event.submitter);
      return;
    }
    const alike = () => Array.from(document.forms).filter((one) => one.getAttribute("action") === form.getAttribute("action"));
    const place = alike().indexOf(form), pressed = event.submitter && event.submitter.value;
    first(event, () => {
      const now = alike()[place] || alike()[0];
      const button = now && Array.from(now.querySelectorAll("button")).find((one) => one.value === pressed);
      if (now) { now.requestSubmit(button); }
    });
  }, true);
  document.addEventListener("input", (event) => {
    const form = event.target.form;
    shown = false;
    if (form && form.matches("form[data-saves=typed]") && event.target.id !== "new-label") { soon(form); }
  });
  document.addEventListener("change", (event) => {
    const form = event.target.form;
    if (!showing && form && form.matches("form[data-saves=typed]") && event.target.id !== "new-label") { save(form, null); }
  });
  window.addEventListener("beforeunload", (event) => { if (!leaving && unsaved()) { event.preventDefault(); event.returnValue = ""; } });

  let slow = 0;
  function tell(trouble) {
    clearTimeout(slow);
    document.dispatchEvent(new Event("desk:state"));
    const place = document.getElementById("desk-state");
    if (!place) { return; }
    if (trouble) { place.textContent = trouble; return; }
    const goto = document.getElementById("desk-goto"), not = Array.from(refused.values()).flat().length;
    if (goto) { goto.hidden = !refused.size; }
    if (refused.size) { place.textContent = not ? "Saved, but for " + not + (not > 1 ? " fields that are" : " field that is") + " not understood." : "Not saved yet."; return; }
    if (!busy && !queue.length && !timers.size) { place.textContent = "Saved."; return; }
    slow = setTimeout(() => { place.textContent = "Saving."; }, 400);
  }

  window.saving = {
    queue: queue, fields: fields, said: said, later: later, copy: copy, lock: lock, save: save, put: put,
    begin: () => { base.clear(); all().forEach((form) => base.set(form.id, values(form))); },
    unsaved: unsaved,
    know: (form) => base.set(form.id, values(form)),
    waits: (id) => timers.has(id) || queue.some((item) => item.form === id),
    forget: forget, refused: refused, named: named,
    waiting: () => (busy ? [busy] : []).concat(queue),
    halt: () => { halted = true; },
  };
  document.addEventListener("DOMContentLoaded", window.saving.begin);
})();
