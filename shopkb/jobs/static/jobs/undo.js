// The offer to undo ends after ten seconds, in words that are read out politely; not under somebody's finger or focus.
// Nothing is lost by it: going back to the step and answering again does the same at any time.
"use strict";
(() => {
  const offer = document.querySelector("[data-undo]");
  if (!offer) return;
  const form = offer.querySelector("form");
  const end = () => {
    if (form.matches(":focus-within, :active")) {
      setTimeout(end, 1000);
      return;
    }
    form.hidden = true;
    offer.querySelector("[role=status]").append(". To change it, go back to its step and answer again.");
  };
  setTimeout(end, Number(offer.dataset.undo) * 1000);
})();
