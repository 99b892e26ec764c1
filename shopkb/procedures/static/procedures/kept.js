// What was typed at the desk and the server has not: a copy on this device, offered again after a crash, a killed
// browser or a closed page. The copy goes when the server has everything.
(function () {
  "use strict";
  if (!("indexedDB" in window)) { return; }
  const BEAT = 2000, GONE = 5000; // a page that lives says so every BEAT; what is silent for GONE was left behind
  let place = "", mine = "", offered = [], writing = false, again = false, empty = true;

  function open() {
    return new Promise((done, fail) => {
      const asked = indexedDB.open("shopkb-desk", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("typed", { keyPath: "page" });
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => fail(asked.error);
    });
  }
  async function run(mode, act) {
    const base = await open();
    try {
      return await new Promise((done, fail) => {
        const work = base.transaction("typed", mode, { durability: "strict" });
        const asked = act(work.objectStore("typed"));
        work.oncomplete = () => done(asked && asked.result);
        work.onerror = work.onabort = () => fail(work.error);
      });
    } finally { base.close(); }
  }

  function step(form) { const field = form.querySelector("[name=step]"); return field ? field.value : ""; }
  // Every field whose words the server does not have yet, by form; what waits in the queue first.
  function unsent() {
    const found = new Map();
    const add = (form, where, fields) => {
      const held = found.get(form) || { form: form, step: where, fields: new Map() };
      fields.forEach((one) => held.fields.set(one.id, one));
      if (fields.length) { found.set(form, held); }
    };
    window.saving.waiting().forEach((item) => add(item.form, item.step, item.changed));
    document.querySelectorAll("#desk-steps form[id], #desk-dialog form[id]").forEach((form) => {
      const fields = form.matches("[data-saves]") ? window.saving.later(form) : [];
      add(form.id, step(form), fields.map((field) => ({ id: field.id, said: window.saving.said(field), label: window.saving.named(field) })));
    });
    return Array.from(found.values(), (one) => ({ form: one.form, step: one.step, fields: Array.from(one.fields.values()) }));
  }
  async function write() {
    if (writing) { again = true; return; }
    writing = true;
    do {
      again = false;
      const forms = unsent();
      try {
        if (forms.length) { await run("readwrite", (store) => store.put({ page: mine, place: place, at: Date.now(), forms: forms })); } else if (!empty) {
          await run("readwrite", (store) => store.delete(mine));
        }
        empty = !forms.length;
      } catch { /* a device that keeps nothing: the page itself still holds the words */ }
    } while (again);
    writing = false;
  }

  // Offered again -----------------------------------------------------------------------------------------------------
  async function look() {
    const all = await run("readonly", (store) => store.getAll());
    const left = all.filter((one) => one.place === place && one.page !== mine && Date.now() - one.at > GONE);
    offered = left.filter((one) => one.forms.some((form) => form.fields.some((field) => !there(form, field))));
    const stale = left.filter((one) => !offered.includes(one));
    await Promise.all(stale.map((one) => run("readwrite", (store) => store.delete(one.page))));
    show();
    return all.some((one) => one.place === place && one.page !== mine && !left.includes(one));
  }
  function field(form, one) {
    const held = document.getElementById(form.form), found = document.getElementById(one.id);
    return held && found && held.contains(found) && (form.form !== "card" || step(held) === form.step) ? found : null;
  }
  function there(form, one) { const found = field(form, one); return found && window.saving.said(found) === one.said; }
  function show() {
    const box = document.getElementById("desk-kept");
    const list = box.querySelector("ul") || document.createElement("ul");
    box.querySelector("h2").after(list);
    box.hidden = !offered.length;
    list.replaceChildren(...offered.flatMap((one) => one.forms.flatMap((form) => form.fields.map((typed) => line(form, typed)))));
    const here = offered.some((one) => one.forms.some((form) => form.fields.some((typed) => field(form, typed))));
    box.querySelector("[data-kept=back]").hidden = !here;
  }
  function line(form, typed) {
    const item = document.createElement("li"), name = document.createElement("b"), words = document.createElement("q");
    name.textContent = typed.label + ": ";
    words.textContent = typed.said;
    item.append(name, words);
    if (form.form === "card" && form.step && !field(form, typed)) {
      const way = document.createElement("a");
      way.href = "?step=" + encodeURIComponent(form.step) + "#step-" + encodeURIComponent(form.step);
      way.textContent = "Open its step";
      item.append(" ", way);
    }
    return item;
  }
  async function back() {
    const forms = new Set();
    for (const one of offered) {
      for (const form of one.forms) {
        form.fields = form.fields.filter((typed) => {
          const found = field(form, typed);
          if (!found) { return true; }
          put(found, typed.said);
          if (found.form.matches("[data-saves=typed]") && found.id !== "new-label") { forms.add(found.form); }
          return false;
        });
      }
      one.forms = one.forms.filter((form) => form.fields.length);
      await run("readwrite", (store) => (one.forms.length ? store.put(one) : store.delete(one.page)));
    }
    offered = offered.filter((one) => one.forms.length);
    forms.forEach((form) => window.saving.save(form, null));
    write();
    show();
    document.getElementById("desk-steps").querySelector("input:not([type=hidden]), textarea").focus();
  }
  function put(found, said) {
    if (found.type === "checkbox") { found.checked = said === "true"; } else if (found.multiple) {
      Array.from(found.options).forEach((option) => { option.selected = said.split("\n").includes(option.value); });
    } else { found.value = said; }
  }
  async function away() {
    await Promise.all(offered.map((one) => run("readwrite", (store) => store.delete(one.page))));
    offered = [];
    show();
  }

  document.addEventListener("DOMContentLoaded", async () => {
    const box = document.getElementById("desk-kept");
    place = box.dataset.place;
    mine = place + " " + Date.now() + " " + Math.random();
    document.addEventListener("input", write);
    document.addEventListener("desk:state", write);
    setInterval(() => { if (!empty) { write(); } }, BEAT);
    box.addEventListener("click", (event) => {
      const pressed = event.target.closest("[data-kept]");
      if (pressed) { (pressed.dataset.kept === "back" ? back : away)(); }
    });
    try {
      const alive = await look();
      if (offered.length) { box.focus(); box.scrollIntoView({ block: "center" }); }
      if (alive) { setTimeout(look, GONE + BEAT); }
    } catch { /* as above */ }
  });
})();
