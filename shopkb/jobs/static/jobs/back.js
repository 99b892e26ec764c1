// The way back without the network: to the step answered before this one, as long as its answer waits here.
"use strict";
document.addEventListener("DOMContentLoaded", async () => {
  const link = document.getElementById("pack-back");
  if (!link) return;
  const { run, base, step } = link.dataset;
  if (!step && "serviceWorker" in navigator) {
    navigator.serviceWorker.ready.then((worker) => worker.active.postMessage({ kind: "here", run, here: "" }));
  }
  const given = (await Outbox.all()).filter((each) => each.run === run && each.kind === "answer" && each.user === Outbox.me);
  const here = given.findIndex((each) => each.step === step);
  const before = here < 0 ? given.at(-1) : given[here - 1];
  if (before) {
    link.href = `${base}steps/${before.step}/`;
    link.hidden = false;
  }
  const earlier = document.getElementById("pack-earlier");
  const told = given.findLast((each) => each.step === step);
  if (!earlier || !told) return;
  earlier.textContent = `You answered this: ${told.says}. A different answer replaces what came after it; nothing is deleted.`;
});
