// A picture goes to the server at once, or into the outbox where no receipt comes: under one id, so that it is one picture.
"use strict";
(() => {
  const form = document.querySelector("form[data-photo]");
  if (!form || !("indexedDB" in window)) return;
  const { job, run, kept, about, back } = form.dataset;
  const told = form.querySelector("[data-says]");
  const LONGEST = 1600;
  let busy = false;

  // Made smaller here: a phone's picture is ten times what is kept of it, and the place it was taken stays here.
  const smaller = async (file) => {
    try {
      const drawn = await createImageBitmap(file);
      const part = Math.min(1, LONGEST / Math.max(drawn.width, drawn.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.max(1, Math.round(drawn.width * part));
      canvas.height = Math.max(1, Math.round(drawn.height * part));
      canvas.getContext("2d").drawImage(drawn, 0, 0, canvas.width, canvas.height);
      const made = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.92));
      return made || file;
    } catch {
      return file; // the server says what is wrong with it
    }
  };

  // The answer it goes with: the last one that waits here, else the last one the page knew.
  const answered = async () => {
    const waiting = (await Outbox.all()).filter((each) => each.run === run && each.kind === "answer" && each.user === Outbox.me);
    return waiting.pop()?.client_id || form.dataset.answer || "";
  };

  const say = (words) => {
    told.textContent = words;
    told.focus();
  };

  const keep = async (given) => {
    const picture = await smaller(given.get("picture"));
    const words = given.get("words") || "";
    const item = {
      kind: "photo", job, run: run || "", answer: kept ? await answered() : form.dataset.answer || "", words, about,
      client_id: form.dataset.once || (form.dataset.once = Outbox.id()),
      picture: await picture.arrayBuffer(), type: picture.type, says: `Picture${words ? `: ${words}` : ""}`,
    };
    const reply = kept ? null : await Outbox.now(item);
    if (reply?.stored) return location.assign(back);
    if (reply?.refused) {
      delete form.dataset.once;
      return say(reply.refused);
    }
    await Outbox.add(item);
    delete form.dataset.once;
    form.reset();
    say("Not sent: the picture is kept on this device and goes when the network is back.");
  };

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (busy) return;
    busy = true;
    form.setAttribute("aria-busy", "true");
    try {
      await keep(new FormData(form));
    } catch {
      say("This device cannot keep the picture. Leave this page open, and try again when the network is back.");
    } finally {
      busy = false;
      form.removeAttribute("aria-busy");
    }
  });
})();
