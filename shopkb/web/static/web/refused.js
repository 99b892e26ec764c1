// A page that was refused came by a form, and browsers do not keep it. From here on its address stands in the history as
// a link does, so that Back leads to the page and not to an error of the browser. The first field that is wrong gets the
// focus and stands in the middle of the screen, with its message above it; without one, the notice.
"use strict";
document.addEventListener("DOMContentLoaded", function () {
  const notice = document.querySelector(".errors-above");
  if (notice && !history.state) { history.replaceState(null, "", location.href); }
  const fields = Array.from(document.querySelectorAll('main [aria-invalid="true"]'));
  const wrong = fields.find((field) => field.getClientRects().length) || notice;
  if (!wrong) { return; }
  wrong.focus({ preventScroll: true });
  wrong.scrollIntoView({ block: "center" });
});
