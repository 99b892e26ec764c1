// A step with the network: the answer goes to the server as a form; only when that fails does it go to the outbox.
"use strict";
(() => {
  const form = document.getElementById("answer-form");
  if (!form || !("indexedDB" in window)) return;
  const { run, step } = form.dataset;
  const ways = Object.fromEntries(form.dataset.ways.split(" ").map((way) => way.split(">")));
  const urls = form.dataset.pack.split(" ").filter(Boolean);
  if (urls.length && "serviceWorker" in navigator) {
    navigator.serviceWorker.ready.then((worker) => worker.active.postMessage({ kind: "keep", run, urls }));
  }
  const onward = (outcome) => (ways[outcome] ? `/jobs/runs/${run}/steps/${ways[outcome]}/` : `/jobs/runs/${run}/pack-end/`);

  form.addEventListener("submit", async (event) => {
    const outcome = event.submitter?.value;
    if (!outcome || event.submitter.name !== "outcome") return;
    event.preventDefault();
    const given = new FormData(form);
    const read = (name) => given.get(name) || "";
    const item = {
      kind: "answer", run, step, outcome, client_id: crypto.randomUUID(),
      typed: read("typed"), unit: read("unit"), note: read("note"), override_why: read("override_why"),
    };
    const waiting = (await Outbox.all()).some((each) => each.run === run);
    if (!waiting && navigator.onLine) {
      try {
        await fetch("/jobs/token/", { credentials: "same-origin", cache: "no-store", signal: AbortSignal.timeout(5000) });
        form.append(Object.assign(document.createElement("input"), { type: "hidden", name: "outcome", value: outcome }));
        form.submit();
        return;
      } catch {
        // no answer: keep it on the device
      }
    }
    await Outbox.add(item);
    location.assign(onward(outcome));
  });
})();
