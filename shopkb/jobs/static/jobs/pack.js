// A step without the network: dangers are confirmed, readings placed by the step's own ranges, answers kept.
"use strict";
(() => {
  const pack = document.getElementById("pack");
  if (!pack) return;
  const { run, base, step, meter, earlier, title, job, shown } = pack.dataset;
  const limits = JSON.parse(pack.dataset.limits || "null");
  const typed = document.getElementById("typed");
  const unit = document.getElementById("unit");
  const verdict = document.getElementById("verdict");
  const answers = [...pack.querySelectorAll("[data-outcome]")];
  const why = document.getElementById("why");
  const opened = Date.now();
  let wanted = null;
  if ("serviceWorker" in navigator) {
    navigator.serviceWorker.ready.then((worker) => worker.active.postMessage({ kind: "here", run, here: step }));
  }

  const keep = async (item) => {
    try {
      await Outbox.add({ run, about: job, ...item });
      return true;
    } catch {
      verdictOr("This device cannot keep your answer. Write it down, and enter it when the network is back.");
      return false;
    }
  };
  const verdictOr = (words) => {
    const place = document.getElementById("pack-told");
    place.textContent = words;
    place.focus();
  };

  for (const ask of pack.querySelectorAll(".danger-ask")) {
    ask.querySelector("[data-confirm]").addEventListener("click", async () => {
      const seconds = Math.round((Date.now() - opened) / 1000);
      const says = ask.querySelector("[data-confirm] .says").textContent;
      const { caution } = ask.dataset;
      if (!(await keep({ kind: "danger", step, caution, shown, shown_seconds: String(seconds), says }))) return;
      ask.remove();
      if (pack.querySelector(".danger-ask")) return;
      pack.querySelector(".step-body").hidden = false;
      pack.querySelector("h1").focus();
    });
  }

  // Leaving a step out as not safe needs no danger confirmed: its form alone takes the place of the question.
  for (const button of pack.querySelectorAll("[data-unsafe]")) {
    button.addEventListener("click", () => {
      const form = document.getElementById("leave-out").closest("details");
      button.closest(".danger-ask").after(form);
      form.open = true;
      form.querySelector("[value=not-safe]").checked = true;
      form.querySelector("summary").focus();
    });
  }

  for (const form of pack.querySelectorAll("form[data-value]")) {
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const given = new FormData(form).get("typed");
      const { number, refused } = Limits.readAsked(given, JSON.parse(form.dataset.rules));
      if (refused) {
        verdictOr(refused);
        form.querySelector("input").focus();
        return;
      }
      const says = `${form.querySelector("label").firstChild.textContent.trim()}: ${given}`;
      if (!(await keep({ kind: "value", key: form.dataset.value, typed: given, number, says }))) return;
      document.getElementById("pack-told").textContent = "";
      tellKept(form, says);
      await fillIn();
    });
  }
  const tellKept = (form, says) => form.replaceChildren(Object.assign(document.createElement("p"), { textContent: `Kept: ${says}` }));

  // Values that wait on this device, the newest of each: the limits that rest on them are worked out here.
  const given = async () => {
    const items = (await Outbox.all()).filter((each) => each.run === run && each.kind === "value");
    for (const item of items) {
      const form = pack.querySelector(`form[data-value="${item.key}"]`);
      if (form) tellKept(form, item.says);
    }
    return Object.fromEntries(items.map((item) => [item.key, item.number ?? Number(item.typed.replace(",", "."))]));
  };
  const fillIn = async () => {
    const values = Object.fromEntries(Object.entries(await given()).filter(([, number]) => Number.isFinite(number)));
    if (!limits || !typed) return;
    const ranges = Limits.rangesOf(limits, values);
    for (const answer of answers) {
      const range = ranges[answer.dataset.outcome];
      const changes = limits.ends[answer.dataset.outcome];
      const rests = changes && [changes.low, changes.high].some((end) => end?.of.length);
      if (!range || !rests) continue;
      const told = Limits.words(range, limits.sign);
      const [low, high] = [range.low, range.high].map((end) => (Number.isFinite(end) ? String(end) : end < 0 ? "-inf" : "inf"));
      const [toldLow, toldHigh] = [range.low, range.high].map((end) => (Number.isFinite(end) ? Limits.figures(end) : end < 0 ? "-inf" : "inf"));
      Object.assign(answer.dataset, { low, high, toldLow, toldHigh, lowOpen: range.lowOpen ? "yes" : "", highOpen: range.highOpen ? "yes" : "" });
      const words = answer.querySelector("[data-told]");
      Object.assign(words.dataset, { told, exact: told });
      words.textContent = told;
    }
    const about = Limits.expectedOf(limits, ranges);
    if (about && typed.dataset.low === undefined) {
      const expected = `${Limits.figures(about.low)} to ${Limits.figures(about.high)} ${limits.sign}`;
      Object.assign(typed.dataset, { low: about.low, high: about.high, expected });
    }
    judge();
  };

  // What stood in the field when the network went: the reading and its unit come in the address.
  const asked = new URLSearchParams(location.search);
  if (typed && asked.get("typed")) {
    typed.value = asked.get("typed");
    if ([...unit.options].some((each) => each.value === asked.get("unit"))) unit.value = asked.get("unit");
  }
  const ready = () => fillIn().catch(() => undefined);
  if (document.readyState === "complete") ready();
  else document.addEventListener("DOMContentLoaded", ready);

  const within = (low, high, { lowOpen, highOpen }, number) => {
    const from = low === "-inf" ? -Infinity : Number(low);
    const to = high === "inf" ? Infinity : Number(high);
    return (lowOpen ? number > from : number >= from) && (highOpen ? number < to : number <= to);
  };
  const holds = (answer, number) => {
    const { low, high } = answer.dataset;
    return low !== undefined && within(low, high, answer.dataset, number);
  };

  // A limit that was worked out is told with few figures; in full where a reading has so many that it would lie.
  const tellBand = (answer, number) => {
    const { toldLow, toldHigh } = answer.dataset;
    const words = answer.querySelector("[data-told]");
    if (!words || toldLow === undefined) return;
    const says = within(toldLow, toldHigh, answer.dataset, number);
    words.textContent = says === holds(answer, number) ? words.dataset.told : words.dataset.exact;
  };

  // What was typed: over limit, a number in the step's unit, or the words why it is none.
  const reading = () => {
    const text = typed.value.trim();
    if (/^(ol|0l|over.?limit)$/i.test(text)) return { text, over: true, number: NaN };
    if (!text) return { text, over: false, number: NaN };
    const spellings = JSON.parse(unit.dataset.spellings);
    const { number, refused } = Limits.read(text, spellings, unit.dataset.own, unit.value);
    return { text, over: false, number: refused ? NaN : number, refused };
  };
  // As the server does: what cannot be is refused, what is far from expected is asked about.
  const refusal = () => {
    const { text, over, number, refused } = reading();
    if (!text) return "";
    if (over) return typed.dataset.over ? "" : "This instrument has no over-limit display. Type the number that it shows.";
    if (refused) return `${refused} Type it as the meter shows it, and choose its unit.`;
    if (typed.dataset.whole && !Number.isInteger(number)) return "That cannot be: times are whole. Type how often it was.";
    const least = typed.dataset.least;
    return least !== "" && number < Number(least) ? "That cannot be. Look at the number, its sign and its unit again." : "";
  };
  const far = () => {
    const { low, high } = typed.dataset;
    const { over, number } = reading();
    return low !== undefined && !over && !within(low, high, {}, number);
  };
  const fitting = () => {
    if (!typed || refusal() || far()) return undefined;
    const { over, number } = reading();
    return answers.find((answer) => (over ? answer.dataset.over : holds(answer, number)));
  };

  const judge = () => {
    const { text, number } = reading();
    const fits = fitting();
    for (const answer of answers) {
      answer.classList.toggle("primary", answer === fits);
      tellBand(answer, number);
    }
    if (!text) verdict.textContent = "";
    else if (fits) verdict.textContent = `${fits.querySelector(".says").textContent}. Judged again, with the meter's accuracy, when the network is back.`;
    else if (far() && !refusal()) verdict.textContent = `Far from what can be expected here (${typed.dataset.expected}): look at the display and the unit again, and measure once more.`;
    else verdict.textContent = refusal() || "The limits are not known on this device: choose the answer yourself.";
  };
  for (const kind of ["input", "change"]) {
    typed?.addEventListener(kind, judge);
    unit?.addEventListener(kind, judge);
  }

  document.getElementById("over-limit")?.addEventListener("click", () => {
    typed.value = "OL";
    judge();
  });

  const give = async (answer, reason) => {
    const outcome = answer.dataset.outcome;
    const said = typed?.value.trim() || "";
    const kept = await keep({
      kind: "answer", step, outcome, meter, replaces: earlier, override_why: reason, shown,
      typed: said, unit: unit?.value || "", note: document.getElementById("note").value,
      says: `${title}: ${answer.querySelector(".says").textContent}${said ? `, ${said} ${unit.selectedOptions[0].textContent}` : ""}`,
    });
    if (kept) location.assign(answer.dataset.next ? `${base}steps/${answer.dataset.next}/` : `${base}pack-end/`);
  };

  for (const answer of answers) {
    answer.addEventListener("click", () => {
      if (typed && refusal()) {
        judge();
        typed.focus();
        return;
      }
      const fits = fitting();
      const asks = typed && (fits ? fits !== answer : !typed.value.trim() || far());
      if (!asks) {
        give(answer, "");
        return;
      }
      wanted = answer;
      why.querySelector("label").textContent = typed.value.trim() && far()
        ? "The reading is far from what can be expected here. How do you know that it is right?"
        : typed.value.trim()
        ? `The reading gives another answer. Why "${answer.querySelector(".says").textContent}" all the same`
        : `Why "${answer.querySelector(".says").textContent}" without a reading`;
      why.hidden = false;
      why.querySelector("input").focus();
    });
  }
  why?.addEventListener("submit", (event) => {
    event.preventDefault();
    const reason = why.querySelector("input").value.trim();
    if (reason && wanted) give(wanted, reason);
  });

  document.getElementById("leave-out").addEventListener("submit", async (event) => {
    event.preventDefault();
    const given = new FormData(event.target);
    const onward = answers.find((answer) => answer.dataset.outcome === given.get("onward"));
    const riskier = event.target.querySelector("[name=onward]:checked").dataset.riskier;
    if (riskier && event.target.dataset.reasons.split(" ").includes(given.get("skipped"))) {
      verdictOr(`That way is less safe ${riskier}. Choose another way on, or leave the procedure here.`);
      return;
    }
    const says = `${title}: left out, ${event.target.querySelector("[name=skipped]:checked").parentElement.textContent.trim()}`;
    const kept = await keep({
      kind: "answer", step, outcome: "", skipped: given.get("skipped"), onward: given.get("onward"), replaces: earlier,
      note: document.getElementById("note").value, says,
    });
    if (kept) location.assign(onward.dataset.next ? `${base}steps/${onward.dataset.next}/` : `${base}pack-end/`);
  });

  document.addEventListener("outbox-sent", () => {
    document.getElementById("pack-state").textContent = "The network is back and everything is sent.";
    document.getElementById("pack-on").hidden = false;
  });
  // Until here a press would have come to nothing.
  pack.inert = false;
})();
