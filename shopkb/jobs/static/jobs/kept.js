// Whole forms without the network: kept on the device as they were filled in, and sent like answers. With the network a
// form goes to the server as ever.
"use strict";
document.addEventListener("DOMContentLoaded", async () => {
  const form = document.querySelector("form[data-keep]");
  if (!form || !("indexedDB" in window)) return;
  const { keep: kind, run, about, next, away, pack } = form.dataset;
  const PATIENCE = 8000;
  const repair = new URLSearchParams(location.search).get("repair") || "";
  const button = form.querySelector("button.primary");
  button.disabled = false;
  // One for each time that the page is opened: the id in a page kept on the device is the same every time.
  let client_id = Outbox.id();
  if (form.dataset.sent) client_id = form.elements.client_id.value;
  else if (form.elements.client_id) form.elements.client_id.value = client_id;

  if (pack && "serviceWorker" in navigator) {
    navigator.serviceWorker.ready.then((worker) =>
      worker.active.postMessage({ kind: "office", run: "office", urls: pack.split(" ") }));
  }

  // What may be done for the cause that is chosen.
  const ticks = [...form.querySelectorAll("[data-of]")];
  const offer = () => {
    const cause = form.querySelector("[name=cause]:checked")?.value;
    for (const tick of ticks) {
      tick.hidden = tick.dataset.of !== cause;
      if (tick.hidden) tick.querySelector("input").checked = false;
    }
    const list = form.querySelector("[data-to-do]");
    if (list) list.hidden = ticks.every((tick) => tick.hidden);
  };
  if (ticks.length) {
    form.addEventListener("change", (event) => event.target.name === "cause" && offer());
    offer();
  }

  // Of many causes the one that is chosen, those that the words typed fit, or the first few.
  const FEW = 6;
  const find = form.querySelector("[data-find]");
  const causes = [...form.querySelectorAll("[name=cause]")];
  const narrow = () => {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    const chosen = causes.find((each) => each.checked);
    const fits = causes.filter((each, place) => {
      const label = each.closest("label").textContent.toLowerCase();
      return words.length ? words.every((word) => label.includes(word)) : chosen ? each === chosen : place < FEW;
    });
    for (const each of causes) each.closest("label").hidden = each !== chosen && !fits.includes(each);
    const more = causes.length - fits.length;
    const none = "No cause of this procedure is called that. With the network, all causes can be searched.";
    form.querySelector("[data-found]").textContent = words.length ? (fits.length ? "" : none)
      : more ? `${more} more: find them by some words.` : "";
  };
  find?.addEventListener("input", narrow);
  // A press of Enter there looks for a cause; it does not keep the form.
  find?.addEventListener("keydown", (event) => event.key === "Enter" && event.preventDefault());

  // What is excluded was worked out when the page was kept; answers that wait here are not in it.
  const asOf = form.querySelector("[data-as-of]");
  if (asOf) {
    const items = await Outbox.all().catch(() => []);
    asOf.hidden = !items.some((item) => item.run === run && item.kind === "answer");
  }

  const reachable = () =>
    fetch("/jobs/token/", { cache: "no-store", signal: AbortSignal.timeout(PATIENCE) }).then((answer) => answer.ok, () => false);

  const filled = () => {
    const fields = {};
    for (const [name, value] of new FormData(form)) {
      if (name === "csrfmiddlewaretoken" || name === "client_id") continue;
      (fields[name] ||= []).push(value);
    }
    return fields;
  };

  const words = () => {
    const chosen = form.querySelector("[name=cause]:checked")?.closest("label")?.textContent.trim();
    const typed = ["registration", "correction", "how", "reason", "words"].map((name) => form.elements[name]?.value).find(Boolean);
    const names = { intake: "Booked in", finding: "Another fault", repair: "Repair", verify: "Check", "hand-over": "Handed over" };
    return [names[kind], chosen || typed].filter(Boolean).join(": ");
  };

  // What the server would refuse hours later, as pairs of a field and what is wrong with it.
  const empty = (field) => !field?.value.trim();
  const ticked = (name) => Boolean(form.querySelector(`[name^=${name}]:checked`));
  const wrong = () => {
    const found = [];
    const refuse = (field, says) => field && found.push([field, says]);
    for (const field of form.querySelectorAll("input[required], textarea[required]")) {
      if (empty(field)) refuse(field, "This field is required.");
    }
    const { correction, how } = form.elements;
    if (kind === "repair" && empty(correction) && !ticked("done")) refuse(correction, "Say what was done to put it right.");
    for (const part of form.querySelectorAll(".part")) {
      const [what, number, quantity, price] = ["words", "number", "quantity", "price"].map((name) => part.querySelector(`[name$="-${name}"]`));
      if (empty(what) && [number, quantity, price].some((field) => !empty(field))) refuse(what, "Say which part this is.");
      // Signs of currencies and marks between thousands are for the server to read.
      for (const field of [quantity, price]) if (!empty(field) && !/\d/.test(field.value)) refuse(field, "Enter a number.");
    }
    const reads = [...form.querySelectorAll("[name^=read_]")];
    for (const read of reads.filter((each) => each.dataset.units && !empty(each) && !readable(each))) {
      const typed = `"${read.value.trim()}" cannot be read here.`;
      refuse(read, `${typed} Give a number, and no unit or one of the same kind behind it.`);
    }
    const checked = ["cured", "not-cured"].includes(form.querySelector("[name=cured]:checked")?.value);
    if (kind === "verify" && checked && empty(how) && !ticked("seen") && reads.every(empty)) {
      refuse(how, "Say how it was checked: the conditions of the complaint, repeated.");
    }
    // A cure with conditions that nobody repeated.
    const cured = form.querySelector("[name=cured]:checked")?.value === "cured";
    const points = [...form.querySelectorAll("[name^=seen]")].map((tick) => ({
      done: tick.checked || !empty(tick.closest("label")?.nextElementSibling?.querySelector("[name^=read_]")),
      text: tick.value,
    }));
    const left = points.filter(({ done }) => !done).map(({ text }) => text);
    if (kind === "verify" && cured && empty(how) && left.length && left.length < points.length) {
      refuse(how, `${left.length} of ${points.length} are not ticked: ${left.join("; ")}. Do and tick them, or say here why it counts as cured without them.`);
    }
    return found;
  };
  const folded = (unit) => unit.replace(/[\u03a9\u2126\u03c9]/g, "ohm").replace(/[\u00b0\u00ba\u02da]/g, "deg")
    .replace("\u2103", "degC").replace("\u2109", "degF").replace("\u00b2", "^2").replace(/\s+/g, "").replace(/\.$/, "").toLowerCase();
  const readable = ({ value, dataset }) => {
    const typed = value.trim().match(/^[-+\u2212\u2010-\u2013]?\s*(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:e[-+]?\d{1,3})?(.*)$/i);
    return Boolean(typed) && ["", ...dataset.units.split(" ")].map(folded).includes(folded(typed[1]));
  };
  const tellWrong = (found) => {
    form.querySelectorAll(".errorlist").forEach((list) => list.remove());
    form.querySelectorAll("[aria-invalid]").forEach((field) => field.removeAttribute("aria-invalid"));
    for (const [field, says] of found) {
      const list = Object.assign(document.createElement("ul"), { className: "errorlist", id: `${field.id || field.name}_error` });
      list.append(Object.assign(document.createElement("li"), { textContent: says }));
      field.before(list);
      field.setAttribute("aria-invalid", "true");
      field.setAttribute("aria-describedby", [field.dataset.help ??= field.getAttribute("aria-describedby") || "", list.id].join(" ").trim());
    }
    found[0]?.[0].focus();
  };

  // A form that the server refused, opened again: filled in as it was, and put in the place of the refused one.
  let before = null;
  const fill = ({ fields }) => {
    for (const [name, values] of Object.entries(fields)) {
      [...form.querySelectorAll(`[name="${CSS.escape(name)}"]`)].forEach((field, place) => {
        if (["radio", "checkbox"].includes(field.type)) field.checked = values.includes(field.value);
        else field.value = values[place] ?? "";
      });
    }
    if (ticks.length) offer();
    if (find) narrow();
  };
  const reopen = async (wanted) => {
    before = (await Outbox.all()).find((item) => item.client_id === wanted && item.user === Outbox.me && item.kind === kind) || null;
    if (!before) return;
    fill(before);
    document.getElementById("kept-told").textContent = before.refused ? `It was not taken: ${before.refused}` : "";
    // The check of a repair names the repair by its id, and what was begun on a vehicle its booking-in.
    if (kind !== "repair" && kind !== "intake") return;
    client_id = before.client_id;
    if (form.elements.client_id) form.elements.client_id.value = client_id;
  };
  const followed = async () => kind === "repair" && (await Outbox.all().catch(() => [])).some((item) => item.repair === client_id);
  const keep = () =>
    Outbox.add({
      ...(before && { order: before.order }), kind, run, repair: before?.repair || repair, client_id, fields: filled(), says: words(), about,
    });

  let busy = false;
  let kept = false;
  form.addEventListener("submit", async (event) => {
    if (event.submitter?.name) return;
    event.preventDefault();
    if (busy) return;
    busy = true;
    try {
      if (!away && (await reachable())) {
        if (before) await keep();
        return form.submit();
      }
      const found = wrong();
      tellWrong(found);
      if (found.length) return;
      await keep();
      kept = true;
      button.disabled = true;
      button.textContent = "Kept on this device";
      if (await followed()) location.assign("/jobs/outbox/");
      else if (kind === "intake" && !before) location.assign(`/jobs/begin/?job=${client_id}`);
      else location.assign(next.endsWith("repair=") ? next + client_id : next);
    } catch {
      document.getElementById("kept-told").textContent =
        "This device cannot keep it. Write it down, and enter it when the network is back.";
    } finally {
      busy = kept;
    }
  });

  // The end that was reached names its cause and how it was proven.
  const named = new URLSearchParams(location.search);
  for (const name of ["cause", "proof"]) {
    const choice = named.get(name) && form.querySelector(`[name=${name}][value="${CSS.escape(named.get(name))}"]`);
    if (choice) choice.checked = true;
  }
  if (ticks.length) offer();
  if (find) narrow();

  const again = new URLSearchParams(location.search).get("again");
  if (again) await reopen(again);
});
