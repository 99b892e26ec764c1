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
  document.addEventListener("DOMContentLoaded", fillAll);
})();
