// Opens the browser's own printing, which saves as a PDF too.
"use strict";
for (const button of document.querySelectorAll("[data-print]")) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}
