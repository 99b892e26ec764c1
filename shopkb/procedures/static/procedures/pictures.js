// A picture pasted into "What to do" or dragged onto it: kept by the server, shown where the cursor stands. The words for
// those who cannot see it are selected, to be typed over.
(function () {
  "use strict";
  const WORDS = "What it shows";
  function file(list) { return Array.from(list || []).find((one) => /^image\/(jpeg|png|webp)$/.test(one.type)); }
  function tell(words) {
    const said = document.getElementById("desk-state");
    if (said) { said.textContent = words; }
  }
  async function put(text, picture) {
    const form = document.getElementById("card"), body = new FormData(), begun = text.value.slice(0, text.selectionStart);
    const step = form.querySelector("[name=step]").value;
    body.append("csrfmiddlewaretoken", form.querySelector("[name=csrfmiddlewaretoken]").value);
    body.append("step", step);
    body.append("picture", picture, picture.name || "pasted.png");
    body.append("words", WORDS);
    tell("The picture is on its way.");
    let answer, said;
    try {
      answer = await fetch(text.dataset.pictures, { method: "POST", body: body, headers: { "HX-Request": "true" } });
      said = await answer.text();
    } catch { tell("The picture was not kept: no answer from the shop's computer. Paste it again later."); return; }
    if (answer.status === 422) { tell(said); return; }
    if (!answer.ok || answer.redirected) { tell("The picture was not kept. Load the page again, and paste it once more."); return; }
    const now = document.getElementById("s-instruction"); // the card may have been drawn anew meanwhile
    if (!now || now.form.elements.step.value !== step) {
      tell("The step was closed before its picture came. Open the step and paste the picture once more.");
      return;
    }
    const at = now.value.startsWith(begun) ? begun.length : now.selectionStart; // typed before it meanwhile: at the cursor
    const before = now.value.slice(0, at), gap = before && !before.endsWith("\n\n") ? (before.endsWith("\n") ? "\n" : "\n\n") : "";
    now.focus();
    now.setRangeText(gap + said + "\n", at, at, "end");
    const start = at + gap.length + 2;
    now.setSelectionRange(start, start + WORDS.length);
    now.dispatchEvent(new Event("input", { bubbles: true }));
  }
  function over(event) { return event.target.closest && event.target.closest("[data-pictures]"); }
  document.addEventListener("paste", (event) => {
    const text = over(event), picture = text && file(event.clipboardData.files);
    if (picture) { event.preventDefault(); put(text, picture); }
  });
  document.addEventListener("dragover", (event) => { if (over(event) && Array.from(event.dataTransfer.types).includes("Files")) { event.preventDefault(); } });
  document.addEventListener("drop", (event) => {
    const text = over(event), picture = text && file(event.dataTransfer.files);
    if (picture) { event.preventDefault(); put(text, picture); }
  });
})();
