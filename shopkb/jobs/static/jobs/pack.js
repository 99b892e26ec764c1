// A step without the network: dangers are confirmed, readings placed by the step's own ranges, answers kept.
"use strict";
(() => {
  const pack = document.getElementById("pack");
  if (!pack) return;
  const { run, step } = pack.dataset;
  const typed = document.getElementById("typed");
  const verdict = document.getElementById("verdict");
  const answers = [...pack.querySelectorAll("[data-outcome]")];
  const opened = Date.now();

  for (const ask of pack.querySelectorAll(".danger-ask")) {
    ask.querySelector("[data-confirm]").addEventListener("click", async () => {
      const seconds = Math.round((Date.now() - opened) / 1000);
      await Outbox.add({ kind: "danger", run, step, caution: ask.dataset.caution, shown_seconds: String(seconds) });
      ask.remove();
      if (!pack.querySelector(".danger-ask")) pack.querySelector(".step-body").hidden = false;
    });
  }

  for (const form of pack.querySelectorAll("form[data-value]")) {
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      await Outbox.add({ kind: "value", run, key: form.dataset.value, typed: new FormData(form).get("typed") });
      form.replaceChildren(Object.assign(document.createElement("p"), { textContent: "Kept." }));
    });
  }

  const holds = (answer, number) => {
    const { low, high, lowOpen, highOpen } = answer.dataset;
    if (low === undefined) return false;
    const from = low === "-inf" ? -Infinity : Number(low);
    const to = high === "inf" ? Infinity : Number(high);
    return (lowOpen ? number > from : number >= from) && (highOpen ? number < to : number <= to);
  };

  const judge = () => {
    const text = typed.value.trim().replace(",", ".").replace("−", "-");
    const over = /^(ol|0l|over.?limit)$/i.test(text);
    const number = over || text === "" ? NaN : Number(text);
    const fits = answers.find((answer) => (over ? answer.dataset.over : holds(answer, number)));
    for (const answer of answers) answer.classList.toggle("primary", answer === fits);
    if (!text) verdict.textContent = "";
    else if (fits) verdict.textContent = `${fits.querySelector(".says").textContent}. Judged again, with the meter's accuracy, when the network is back.`;
    else verdict.textContent = over || Number.isFinite(number) ? "The limits are not known on this device: choose the answer yourself." : "This is not a number. Type it as the meter shows it, in the unit given.";
  };
  typed?.addEventListener("input", judge);
  typed?.addEventListener("change", judge);

  for (const answer of answers) {
    answer.addEventListener("click", async () => {
      await Outbox.add({
        kind: "answer", run, step, outcome: answer.dataset.outcome,
        typed: typed?.value.trim() || "", note: document.getElementById("note").value,
      });
      location.assign(answer.dataset.next ? `/jobs/runs/${run}/steps/${answer.dataset.next}/` : `/jobs/runs/${run}/pack-end/`);
    });
  }
})();
