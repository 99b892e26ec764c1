// The offer to undo ends after ten seconds; not under somebody's finger or focus. It stands in the bar below, over the
// page, so that nothing moves when it goes. Going back to the step and answering again does the same at any time.
"use strict";
(() => {
  const offer = document.querySelector("[data-undo]");
  if (!offer) return;
  const end = () => {
    if (offer.matches(":focus-within, :active")) {
      setTimeout(end, 1000);
      return;
    }
    offer.remove();
  };
  setTimeout(end, Number(offer.dataset.undo) * 1000);
})();
