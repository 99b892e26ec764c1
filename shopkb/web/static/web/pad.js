// Own number pad: system pads lack the minus sign on some devices. Keys write into the input named by data-pad.
(function () {
  "use strict";
  function press(input, key) {
    var text = input.value;
    if (key === "back") { text = text.slice(0, -1); }
    else if (key === "clear") { text = ""; }
    else if (key === "sign") { text = /^[-−]/.test(text) ? text.slice(1) : "-" + text; }
    else if (key === ".") { text = text.indexOf(".") >= 0 ? text : (/\d/.test(text) ? text : text + "0") + "."; }
    else { text += key; }
    input.value = text;
    input.dispatchEvent(new Event("input", { bubbles: true }));
  }
  document.addEventListener("click", function (event) {
    var button = event.target.closest("[data-pad] [data-key]");
    if (!button) { return; }
    var input = document.getElementById(button.closest("[data-pad]").dataset.pad);
    if (input) { press(input, button.dataset.key); }
  });
  // On a phone the pad takes two thirds of the screen: it opens with its field.
  var phone = window.matchMedia("(max-width: 30rem)");
  function open(pad) {
    pad.hidden = false;
    var input = document.getElementById(pad.dataset.pad);
    if (phone.matches && input) { input.inputMode = "none"; }
  }
  document.addEventListener("DOMContentLoaded", function () {
    document.querySelectorAll("[data-pad]").forEach(function (pad) {
      var input = document.getElementById(pad.dataset.pad);
      if (!phone.matches || !input || input === document.activeElement) { open(pad); return; }
      ["focus", "pointerdown"].forEach(function (kind) {
        input.addEventListener(kind, function () { open(pad); }, { once: true });
      });
    });
  });
})();
