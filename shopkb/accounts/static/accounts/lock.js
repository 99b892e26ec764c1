// A shared tablet that nobody touches locks by itself too, with and without the network: the page is covered, and what
// is typed meanwhile is kept as given while it was locked. The server has a lock of its own (accounts/idle_lock.py).
"use strict";
const TabletLock = (() => {
  const { lockMinutes, user, switch: unlock } = document.currentScript.dataset;
  const LIMIT = Number(lockMinutes) * 60000;
  // A clock that goes back by more than this does not say how long nobody was here.
  const SLACK = 60000;
  const LOOK = 5000;
  const TYPED = "typed-before-lock";
  const keptLocked = document.getElementById("kept-locked");
  const place = location.pathname + location.search;
  let told = 0;

  const since = () => Date.now() - Number(localStorage.getItem("touched") || 0);
  const idle = () => since() > LIMIT || since() < -SLACK;
  const covered = () => document.body.classList.contains("covered");
  const locked = () => Boolean(keptLocked) || covered() || idle();

  const touch = () => {
    if (covered() || keptLocked) return;
    const now = Date.now();
    localStorage.setItem("touched", String(now));
    if (now - told < LOOK || !("serviceWorker" in navigator)) return;
    told = now;
    navigator.serviceWorker.ready.then((worker) =>
      worker.active.postMessage({ kind: "touch", at: now, minutes: Number(lockMinutes) }),
    );
  };

  // What stands in the fields of the page, for the same person after unlocking.
  const fields = () =>
    [...document.querySelectorAll("main input, main textarea, main select")].filter(
      (field) => field.id && !["hidden", "password", "file", "submit", "button"].includes(field.type),
    );
  const stash = () => {
    const typed = fields().map(({ id, type, value, checked }) => ({ id, type, value, checked }));
    sessionStorage.setItem(TYPED, JSON.stringify({ user, place, typed }));
  };
  const restore = () => {
    const kept = JSON.parse(sessionStorage.getItem(TYPED) || "null");
    if (kept && kept.user === user && kept.place !== place) return;
    sessionStorage.removeItem(TYPED);
    for (const { id, type, value, checked } of kept?.user === user ? kept.typed : []) {
      const field = document.getElementById(id);
      if (!field) continue;
      if (["checkbox", "radio"].includes(type)) field.checked = checked;
      else field.value = value;
    }
  };

  const element = (name, with_, ...children) => {
    const made = Object.assign(document.createElement(name), with_);
    made.append(...children);
    return made;
  };
  const cover = () => {
    if (covered()) return;
    if (!keptLocked) stash();
    document.body.classList.add("covered");
    const says = element("p", { className: "tint", hidden: true });
    says.setAttribute("role", "status");
    const text = element("textarea", { id: "locked-text", rows: 3, maxLength: 2000, required: true });
    const form = element(
      "form",
      { className: "flow" },
      element("label", { htmlFor: "locked-text", textContent: "What you found" }),
      text,
      element("div", { className: "buttons" }, element("button", { type: "submit", textContent: "Keep it on this device" })),
    );
    form.addEventListener("submit", (event) => keep(event, text, says));
    const link = element("a", {
      className: "button primary",
      href: `${unlock}?next=${encodeURIComponent(place)}`,
      textContent: "Unlock with a PIN",
    });
    const panel = element(
      "div",
      { className: "in flow" },
      element("h1", { textContent: "Locked because nobody was using it", tabIndex: -1 }),
      element("p", { textContent: "Unlock it to go on where you were. What you had typed is kept." }),
      element("div", { className: "buttons" }, link),
      element("h2", { textContent: "Without the network" }),
      element("p", {
        textContent:
          "Nobody can be recognised here until the network is back. You can write down what you found: it is kept as " +
          "given while the tablet was locked, under nobody's name.",
      }),
      ...(typeof Outbox === "undefined" ? [] : [form, says]),
    );
    document.body.append(element("main", { id: "tablet-locked" }, panel));
    panel.querySelector("h1").focus();
  };
  const keep = async (event, text, says) => {
    event.preventDefault();
    says.hidden = false;
    try {
      const about = "written while the tablet was locked";
      await Outbox.add({ kind: "note", text: text.value, says: text.value, about });
      text.value = "";
      says.textContent = "Kept. It stands under “Not sent yet” once the tablet is unlocked.";
    } catch {
      says.textContent = "This device cannot keep it. Write it on paper.";
    }
  };

  const look = () => {
    if (keptLocked || idle()) cover();
  };
  if (keptLocked) {
    document.addEventListener("DOMContentLoaded", cover);
  } else {
    touch(); // the server, or the service worker, has just let this page be seen
    restore();
    for (const kind of ["pointerdown", "keydown"]) {
      document.addEventListener(kind, (event) => {
        look();
        if (covered() && !event.target.closest?.("#tablet-locked")) event.preventDefault();
        touch();
      }, true);
    }
    setInterval(look, LOOK);
    document.addEventListener("visibilitychange", look);
    window.addEventListener("pageshow", look);
  }
  return { locked };
})();
