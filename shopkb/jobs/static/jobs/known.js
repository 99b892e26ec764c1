// A vehicle that has been here before fills in what is still empty. What was typed stays.
(function () {
  "use strict";
  const filled = new Map();
  function fill(name, value) {
    const field = document.getElementById("id_" + name);
    // What came from a vehicle found before is replaced with that vehicle; what a person typed is not.
    if (!field || (field.value && filled.get(name) !== field.value)) { return; }
    field.value = value;
    filled.set(name, value);
  }
  function fillAll() {
    const found = document.querySelector("#known .known");
    ["vin", "year", "platform"].forEach(function (name) { fill(name, found ? found.dataset[name] : ""); });
    if (found) { fill("registration", found.dataset.registration); }
  }
  // The VIN that came from one registration does not look up the vehicle of the next.
  document.addEventListener("htmx:configRequest", function (event) {
    const vin = event.detail.parameters.vin;
    if (event.target.id === "known" && vin && filled.get("vin") === vin) { event.detail.parameters.vin = ""; }
  });
  // What was chosen while the answer was under way stays chosen.
  let chosen = null;
  document.addEventListener("htmx:beforeSwap", function (event) {
    if (event.target.id === "known") { chosen = event.target.querySelector('[name="comeback_of"]:checked'); }
  });
  document.addEventListener("htmx:afterSwap", function (event) {
    if (event.target.id !== "known") { return; }
    const choice = chosen && event.target.querySelector('[name="comeback_of"][value="' + chosen.value + '"]');
    if (choice) { choice.checked = true; }
    fillAll();
  });
  // Without the network: from the vehicles of the last months that travel with the device.
  document.addEventListener("htmx:sendError", async function (event) {
    if (event.target.id !== "known") { return; }
    const typed = document.getElementById("id_registration").value.toUpperCase().split(/\s+/).filter(Boolean).join(" ");
    const bare = function (text) { return text.replace(/[\s-]/g, ""); };
    const vin = document.getElementById("id_vin").value.toUpperCase();
    const answer = await fetch("/jobs/known-vehicles/").catch(function () { return null; });
    const known = answer && answer.ok ? (await answer.json()).vehicles : [];
    // As the server does: the one that is written so, else the newest that reads the same, else the one of this VIN.
    const found = known.find(function (each) { return each.registration === typed; })
      || known.filter(function (each) { return bare(typed) && bare(each.registration) === bare(typed); }).pop()
      || known.filter(function (each) { return vin && each.vin === vin; }).pop();
    const place = document.getElementById("known");
    place.replaceChildren();
    if (found) {
      const card = Object.assign(document.createElement("section"), { className: "card known" });
      Object.assign(card.dataset, found);
      card.append(Object.assign(document.createElement("h2"), { textContent: found.registration + " has been here before" }));
      card.append(Object.assign(document.createElement("p"), { textContent: "Its jobs are shown when the network is back." }));
      place.append(card);
    }
    fillAll();
  });
  document.addEventListener("DOMContentLoaded", fillAll);
})();
