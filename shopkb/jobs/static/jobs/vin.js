// Fills in the VIN from a photo of its bar code. The picture is read by the server and kept nowhere.
"use strict";
(() => {
  const place = document.querySelector("[data-vin-photo]");
  const field = document.getElementById("id_vin");
  if (!place || !field) return;
  const picture = place.querySelector("input[type=file]");
  const told = place.querySelector("[role=status]");
  place.hidden = false;

  const read = async (file) => {
    const sent = new FormData();
    sent.append("csrfmiddlewaretoken", field.form.elements.csrfmiddlewaretoken.value);
    sent.append("picture", file);
    const answer = await fetch(place.dataset.vinPhoto, { method: "POST", body: sent });
    if (answer.redirected) return { refused: "You are signed out. Sign in again, or type the number." };
    return answer.ok || answer.status === 422 ? answer.json() : { refused: "The picture could not be read. Type the number." };
  };

  picture.addEventListener("change", async () => {
    if (!picture.files.length) return;
    told.textContent = "Reading the picture.";
    const got = await read(picture.files[0]).catch(() => ({ refused: "No network: type the number." }));
    picture.value = "";
    told.textContent = got.vin ? `${got.vin}. ${got.text}` : got.refused;
    if (!got.vin || field.value === got.vin) return;
    // What a person typed stays; they empty the field where the picture is right.
    if (field.value) {
      told.textContent += " Another number stands in the field: empty it and take the picture again to use this one.";
      return;
    }
    field.value = got.vin;
    for (const kind of ["input", "change"]) field.dispatchEvent(new Event(kind, { bubbles: true }));
  });
})();
