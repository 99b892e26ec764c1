// Beginning a procedure without the network: from the pages of procedures that travel with this device, on a job that is
// stored already or still waits here.
"use strict";
document.addEventListener("DOMContentLoaded", async () => {
  const forms = [...document.querySelectorAll("form[data-begin]")];
  if (!forms.length) return;
  const about = document.getElementById("begin-about");
  if (!("indexedDB" in window)) {
    if (about) about.textContent = "This browser keeps nothing, so no procedure can be begun on it without the network.";
    return;
  }
  const PATIENCE = 8000;
  const kept = (procedure, number) => ("caches" in window ? caches.match(`/jobs/packs/${procedure}/${number}/`).catch(() => undefined) : undefined);
  const list = document.getElementById("begin");
  const items = await Outbox.all().catch(() => []);
  const asked = new URLSearchParams(location.search);
  const booked = (list && items.find((item) => item.kind === "intake" && item.client_id === asked.get("job"))) || null;

  // Those for the symptom that was chosen come first, those for other vehicles not at all.
  const said = (name) => booked?.fields[name]?.[0] || "";
  if (list) {
    about.textContent = booked ? booked.says : "The vehicle waits in the list of what is not sent.";
    const holds = (row, name, value) => !row.dataset[name] || row.dataset[name].split(" ").includes(value);
    const fits = (row) => Boolean(said("symptom")) && row.dataset.symptoms.split(" ").includes(said("symptom"));
    const rows = [...list.children];
    for (const row of rows) {
      const { begin, number } = row.querySelector("form").dataset;
      const held = await kept(begin, number);
      row.hidden = !held || (Boolean(said("platform")) && !holds(row, "platforms", said("platform")));
      if (fits(row)) row.querySelector(".told").textContent = "for the symptom that was chosen";
    }
    list.append(...rows.filter(fits), ...rows.filter((row) => !fits(row)));
    list.querySelector("li:not([hidden]) button")?.classList.add("primary");
    document.getElementById("begin-none").hidden = Boolean(list.querySelector("li:not([hidden])"));
  }

  // What is offered here is kept, so that it can be begun when the network has gone meanwhile.
  if (!list && forms[0].method === "post" && "serviceWorker" in navigator) {
    const packs = forms.map(({ dataset }) => `/jobs/packs/${dataset.begin}/${dataset.number}/`);
    const urls = ["/jobs/locked/", "/jobs/outbox/", "/jobs/begin/", ...packs];
    navigator.serviceWorker.ready.then((worker) => worker.active.postMessage({ kind: "office", urls, also: true }));
  }

  const reachable = () =>
    fetch("/jobs/token/", { cache: "no-store", signal: AbortSignal.timeout(PATIENCE) }).then((answer) => answer.ok, () => false);

  let busy = false;
  for (const form of forms) {
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (busy) return;
      busy = true;
      const { begin: procedure, number, title, job, from, about } = form.dataset;
      try {
        if (form.method === "post" && (await reachable())) return form.submit();
        if (!(await kept(procedure, number))) {
          form.querySelector("[data-told]").textContent =
            "This procedure is not kept on this device, so it cannot be begun until the network is back.";
          return;
        }
        const earlier = items.find((item) => item.kind === "start" && item.run === from);
        const on = booked?.client_id || job || earlier?.job || (list && asked.get("job"));
        if (!on && !from) {
          form.querySelector("[data-told]").textContent = "Book the vehicle in first.";
          return;
        }
        const run = form.dataset.once || (form.dataset.once = form.elements.client_id?.value || Outbox.id());
        await Outbox.add({
          kind: "start", run, client_id: run, job: on || "", came_from: from || "",
          fields: { procedure: [procedure], number: [number] }, says: `Began: ${title}`, about: about || said("registration"),
        });
        location.assign(`/jobs/begun/${run}/${procedure}/${number}/`);
      } catch {
        form.querySelector("[data-told]").textContent = "This device cannot keep it. Begin when the network is back.";
      } finally {
        busy = false;
      }
    });
  }
  if (list) list.hidden = false; // in its order, and each press is listened for
});
