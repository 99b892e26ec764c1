// The clock of a repair: start and pause fill in the minutes. It goes on while the page is left, and a person's own
// number stands until the clock is pressed again. What it ran longer than a person works at a stretch is not counted: it
// was left running.
(function () {
  "use strict";
  const box = document.querySelector("[data-labour]");
  if (!box) { return; }
  const field = document.getElementById(box.dataset.labour);
  const button = box.querySelector("button");
  const shown = box.querySelector("output");
  const place = "labour-" + box.dataset.job;
  const nothing = { done: 0, since: 0, left: 0 };
  const stretch = 5 * 3600 * 1000; // ms
  const kept = function () {
    try { return Object.assign({}, nothing, JSON.parse(localStorage.getItem(place))); } catch { return nothing; }
  };
  let clock = kept();
  const keep = function () {
    try { localStorage.setItem(place, JSON.stringify(clock)); } catch { /* this page still counts */ }
  };
  const seconds = function () {
    return Math.round((clock.done + (clock.since ? Math.max(0, Date.now() - clock.since) : 0)) / 1000);
  };
  const forgotten = function () { return clock.since && Date.now() - clock.since > stretch; };
  const leaveOut = function () {
    clock = { done: clock.done, since: 0, left: clock.since };
    keep();
  };
  const told = function () {
    const form = { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" };
    const since = new Date(clock.left).toLocaleString("en-GB", form);
    return "It ran since " + since + " and was left running, so that is not counted. Type the minutes that you worked.";
  };
  const show = function () {
    if (forgotten()) { leaveOut(); }
    const now = seconds();
    button.textContent = clock.since ? "Pause the clock" : now ? "Go on with the clock" : "Start the clock";
    button.setAttribute("aria-pressed", String(Boolean(clock.since)));
    const time = Math.floor(now / 60) + " min " + String(now % 60).padStart(2, "0") + " s";
    shown.textContent = clock.left ? told() : now || clock.since ? time : "";
  };
  const fill = function () { field.value = String(Math.max(1, Math.round(seconds() / 60))); };
  button.addEventListener("click", function () {
    clock = clock.since ? { done: seconds() * 1000, since: 0, left: 0 } : { done: clock.done, since: Date.now(), left: 0 };
    keep();
    if (!clock.since) { fill(); }
    show();
  });
  field.form.addEventListener("submit", function (event) {
    if (event.submitter && event.submitter.name) { return; }
    if (clock.since && !forgotten()) { fill(); }
    try { localStorage.removeItem(place); } catch { /* nothing was kept */ }
  });
  box.hidden = false;
  show();
  if (!clock.since && seconds() && !field.value) { fill(); }
  setInterval(show, 1000);
})();
