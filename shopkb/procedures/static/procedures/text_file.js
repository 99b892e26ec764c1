// A procedure file chosen or dragged onto the text stands in the text field before anything is sent. Too long is said
// here, so that nobody waits for an upload to hear it.
(function () {
  "use strict";
  document.addEventListener("DOMContentLoaded", () => {
    const form = document.querySelector(".text-form"), text = form.querySelector("textarea"), file = form.querySelector("input[type=file]");
    const most = Number(file.dataset.longest), said = document.createElement("p");
    said.className = "refused";
    said.setAttribute("role", "alert");
    said.id = "text-too-long";
    file.closest(".field").append(said);
    function tooLong(size) {
      said.textContent = size > most ? "This is too long: " + (size / most).toFixed(1) + " MiB, and a procedure file has at most 1 MiB." : "";
      return size > most;
    }
    async function take(one) {
      if (!one || tooLong(one.size)) { return; }
      let words;
      try { words = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(await one.arrayBuffer()); } catch { return; } // the server says what is wrong with its letters
      text.value = words;
      file.value = "";
      text.focus();
    }
    file.addEventListener("change", () => take(file.files[0]));
    form.addEventListener("dragover", (event) => { event.preventDefault(); text.dataset.over = "yes"; });
    form.addEventListener("dragleave", () => { delete text.dataset.over; });
    form.addEventListener("drop", (event) => {
      if (!event.dataTransfer.files.length) { return; }
      event.preventDefault();
      delete text.dataset.over;
      take(event.dataTransfer.files[0]);
    });
    document.addEventListener("click", (event) => {
      const way = event.target.closest("[data-line]");
      if (!way) { return; }
      event.preventDefault();
      const lines = text.value.split("\n"), at = Number(way.dataset.line) - 1;
      const start = lines.slice(0, at).reduce((sum, line) => sum + line.length + 1, 0);
      text.focus();
      text.setSelectionRange(start, start + (lines[at] || "").length);
      text.scrollTop = (at - 5) * parseFloat(getComputedStyle(text).lineHeight);
      text.scrollIntoView({ block: "center" });
    });
    form.addEventListener("submit", (event) => {
      const chosen = file.files[0];
      if (tooLong(chosen ? chosen.size : new Blob([text.value]).size)) { event.preventDefault(); file.focus(); }
    });
  });
})();
