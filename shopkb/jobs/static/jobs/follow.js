// A step with the network: the answer goes to the server first; only when no receipt comes does it go to the outbox,
// under the same id, so that an answer whose reply was lost is still one answer.
"use strict";
(() => {
  const held = document.getElementById("held");
  if (!held || !("indexedDB" in window)) return;
  const { run, step, job } = held.dataset;
  const here = `/jobs/runs/${run}/steps/${step}/`;
  const PATIENCE = 8000;
  const urls = held.dataset.pack.split(" ").filter(Boolean);
  if (urls.length && "serviceWorker" in navigator) {
    navigator.serviceWorker.ready.then((worker) => worker.active.postMessage({ kind: "keep", run, here: step, urls }));
  }

  // A value asked once, a danger confirmed: as a form while the server answers; else the step as it is kept here goes on.
  const reachable = () =>
    fetch("/jobs/token/", { cache: "no-store", signal: AbortSignal.timeout(PATIENCE) }).then((answer) => answer.ok, () => false);
  for (const asked of document.querySelectorAll("form[data-value], form[data-danger]")) {
    asked.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (await reachable()) return asked.submit();
      const given = new FormData(asked);
      const { value, rules } = asked.dataset;
      if (value) {
        const { number, refused } = Limits.readAsked(given.get("typed"), JSON.parse(rules));
        if (refused) {
          const told = asked.querySelector("[data-told]");
          told.textContent = refused;
          asked.querySelector("[name=typed]").focus();
          return;
        }
        const says = `${asked.querySelector("label").firstChild.textContent.trim()}: ${given.get("typed")}`;
        await Outbox.add({
          kind: "value", run, key: value, typed: given.get("typed"), number, client_id: given.get("client_id"), says, about: job,
        });
      }
      location.assign(here);
    });
  }

  // What was typed and not checked yet goes along when a meter is chosen, and with an answer.
  const takeAlong = (form) => {
    for (const name of ["typed", "unit"]) {
      const field = document.getElementById(name);
      if (field) form.elements[name].value = field.value;
    }
  };
  // A note for the answer stays while its reading is checked.
  const note = document.getElementById("note");
  const noted = `note ${here}`;
  if (note && !note.value && sessionStorage.getItem(noted)) {
    note.value = sessionStorage.getItem(noted);
    note.closest("details").open = true;
  }
  sessionStorage.removeItem(noted);
  document.addEventListener("submit", (event) => {
    if (note?.value && event.target !== note.form) sessionStorage.setItem(noted, note.value);
  });

  const chosen = document.getElementById("meter-form");
  chosen?.addEventListener("submit", () => takeAlong(chosen));

  const form = document.getElementById("answer-form");
  if (!form) return;
  const { meter, earlier, title } = form.dataset;
  const ways = Object.fromEntries(form.dataset.ways.split(" ").map((way) => way.split(">")));
  let busy = false;
  const onward = (outcome) => (ways[outcome] ? `/jobs/runs/${run}/steps/${ways[outcome]}/` : `/jobs/runs/${run}/pack-end/`);

  // The server's receipt, or nothing where none came.
  const receipt = async (given) => {
    const headers = { Accept: "application/json" };
    try {
      const signal = AbortSignal.timeout(PATIENCE);
      const answer = await fetch(form.action, { method: "POST", body: given, headers, redirect: "manual", signal });
      return answer.ok ? await answer.json() : null;
    } catch {
      return null;
    }
  };

  // Answers that still wait go first. Behind one that was refused nothing is waited for: it has to be answered anew.
  const mustWait = async () => {
    const mine = (await Outbox.all()).filter((each) => each.run === run && each.user === Outbox.me && each.kind !== "photo");
    return mine.length > 0 && !mine.some((each) => each.refused);
  };

  const asForm = (outcome) => {
    form.append(Object.assign(document.createElement("input"), { type: "hidden", name: "outcome", value: outcome }));
    form.submit();
  };

  form.addEventListener("submit", async (event) => {
    const outcome = event.submitter?.value;
    if (!outcome || event.submitter.name !== "outcome") return;
    event.preventDefault();
    if (busy) return;
    busy = true;
    form.setAttribute("aria-busy", "true");
    takeAlong(form);
    const given = new FormData(form);
    const label = event.submitter.querySelector(".says")?.textContent || event.submitter.textContent;
    given.set("outcome", outcome);
    const read = (name) => given.get(name) || "";
    const offPath = read("off_path");
    const item = {
      kind: "answer", run, step, outcome, meter, replaces: earlier, client_id: read("client_id"), off_path: offPath,
      typed: read("typed"), unit: read("unit"), note: read("note"), override_why: read("override_why"),
      shown: read("shown"), by_chance: read("by_chance"),
      says: `${title}: ${label}`, about: job,
    };
    try {
      const told = (await mustWait()) ? null : await receipt(given);
      if (told?.refused) return asForm(outcome);
      if (told?.to) return location.assign(told.to);
      await Outbox.add(item);
      location.assign(offPath ? `/jobs/runs/${run}/` : onward(outcome));
    } catch {
      asForm(outcome); // this device cannot keep it: the browser says so if the server cannot be reached
    }
  });
  window.addEventListener("pageshow", () => {
    busy = false;
    form.removeAttribute("aria-busy");
  });
})();
