// A procedure that was begun without the network: one kept page holds all of its pages, and the address says which.
"use strict";
(() => {
  const place = document.getElementById("begun");
  const [, run, procedure, number, page] =
    location.pathname.match(/^\/jobs\/begun\/([0-9a-f-]{36})\/([a-z0-9-]+)\/(\d+)\/(.*)$/) || [];
  if (!place || !run) return;
  const base = `/jobs/begun/${run}/${procedure}/${number}/`;
  const show = (name) => {
    const held = document.querySelector(`template[data-page="${CSS.escape(name)}"]`);
    if (!held) return;
    place.innerHTML = held.innerHTML.replaceAll(place.dataset.none, run);
    document.title = place.querySelector("h1:not(.heard)")?.textContent || document.title;
  };
  const bar = document.querySelector("footer, .bar") && document.getElementById("pack-back");
  if (bar) Object.assign(bar.dataset, { run, base, step: (page.match(/^steps\/([a-z0-9-]+)\/$/) || [])[1] || "" });
  const again = document.getElementById("begun-again");
  if (again) again.href = base;
  if (page) show(page.replace(/\/$/, ""));

  // The vehicle stands in the booking that waits here, or with the first thing that was kept of this procedure.
  document.addEventListener("DOMContentLoaded", async () => {
    const items = (await Outbox.all().catch(() => [])).filter((item) => item.run === run);
    const about = items.find((item) => item.about)?.about || "";
    document.getElementById("begun-about").textContent = about;
    for (const told of document.querySelectorAll("[data-about='']")) told.dataset.about = about;
    const pack = document.getElementById("pack");
    if (pack) pack.dataset.job ||= about;
    if (page) return;
    // The bare address: where the answers kept here have come to.
    const last = items.findLast((item) => item.kind === "answer");
    const way = last && document.querySelector(`template[data-page="steps/${CSS.escape(last.step)}"]`)
      ?.content.querySelector(`[data-outcome="${CSS.escape(last.outcome || last.onward)}"]`)?.dataset.next;
    location.replace(`${base}${last && !way ? "pack-end" : `steps/${way || place.dataset.start}`}/`);
  });
})();
