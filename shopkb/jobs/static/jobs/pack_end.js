// The end of a way without the network: what the last answer kept here comes to.
"use strict";
document.addEventListener("DOMContentLoaded", async () => {
  const page = document.getElementById("pack-end");
  if (!page) return;
  const { run, reached } = page.dataset;
  const items = await Outbox.all().catch(() => []);
  const last = items.findLast((each) => each.run === run && each.kind === "answer" && each.offPath !== "yes" && each.off_path !== "yes");
  const way = last ? `${last.step} ${last.outcome || last.onward}` : reached;
  const ends = [...page.querySelectorAll("[data-end]")].filter((each) => each.dataset.end.split("|").includes(way));
  const [end] = ends;
  if (!end) return;
  for (const each of ends) each.hidden = false;
  const { cause } = end.dataset;
  const heading = page.querySelector("h1");
  heading.textContent = end.querySelector("h2").textContent;
  end.querySelector("h2").remove();
  document.title = heading.textContent;
  for (const told of page.querySelectorAll("[data-put-right]")) told.hidden = told.dataset.putRight !== cause;
});
