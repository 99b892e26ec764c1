// Answers that were not confirmed by the server yet: kept in IndexedDB, sent in order, each under the name of the
// person who gave it, and taken out only on a receipt. Works without background sync.
"use strict";
const Outbox = (() => {
  const EVERY = 15000;
  const shown = document.getElementById("unsent");
  const me = Number(shown?.dataset.user || document.querySelector("[data-user]")?.dataset.user || 0);
  let sending = false;

  const open = () =>
    new Promise((resolve, reject) => {
      const asked = indexedDB.open("shopkb", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("outbox", { keyPath: "order", autoIncrement: true });
      asked.onsuccess = () => resolve(asked.result);
      asked.onerror = () => reject(asked.error);
    });

  const run = async (mode, act) => {
    const base = await open();
    try {
      return await new Promise((resolve, reject) => {
        const work = base.transaction("outbox", mode, { durability: "strict" });
        const asked = act(work.objectStore("outbox"));
        work.oncomplete = () => resolve(asked?.result);
        work.onerror = work.onabort = () => reject(work.error);
      });
    } finally {
      base.close();
    }
  };

  const all = () => run("readonly", (store) => store.getAll());
  const put = (item) => run("readwrite", (store) => store.put(item));
  const drop = (order) => run("readwrite", (store) => store.delete(order));

  const add = async (item) => {
    await put({ ...item, user: me, at: new Date().toISOString(), client_id: item.client_id || crypto.randomUUID() });
    navigator.storage?.persist?.();
    await show();
  };

  const token = async () => {
    const answer = await fetch("/jobs/token/", { credentials: "same-origin", cache: "no-store" });
    return answer.json();
  };

  const post = (item, csrf) =>
    fetch(`/jobs/runs/${item.run}/outbox/`, {
      method: "POST",
      credentials: "same-origin",
      headers: { "Content-Type": "application/json", "X-CSRFToken": csrf },
      body: JSON.stringify({ ...item, order: undefined, refused: undefined }),
    });

  // Sends what is mine, oldest first. A refused item stays, with the server's words; those of its run wait behind it.
  const send = async () => {
    if (sending) return;
    sending = true;
    try {
      const mine = (await all()).filter((item) => item.user === me);
      if (!mine.length) return;
      const { token: csrf, user } = await token();
      if (user !== me) return; // signed out, or somebody else: nothing is sent and nothing is lost
      const held = new Set();
      for (const item of mine) {
        if (held.has(item.run)) continue;
        const answer = await post(item, csrf);
        if (answer.ok) {
          const receipt = await answer.json();
          await drop(item.order);
          if (!receipt.counts) tell(`Kept, but it came too late to count: ${receipt.why}`);
        } else {
          held.add(item.run);
          const words = await answer.json().catch(() => ({ error: "The server did not take it. Try again later." }));
          if (answer.status !== 401) await put({ ...item, refused: words.error });
          tell(words.error);
        }
      }
    } catch {
      // away: tried again on load, when the network returns, when the page is seen again, and by the clock
    } finally {
      sending = false;
      await show();
    }
  };

  const tell = (words) => {
    const place = document.getElementById("outbox-told");
    if (place) place.textContent = words;
  };

  const words = (item) => {
    const what = item.kind === "value" ? `${item.key}: ${item.typed}` : item.kind === "danger" ? `danger ${item.caution}` : `${item.step}: ${item.outcome || item.skipped}`;
    return item.typed && item.kind === "answer" ? `${what}, ${item.typed}` : what;
  };

  const row = (item) => {
    const line = document.createElement("li");
    line.className = "row";
    const box = document.createElement("div");
    const says = document.createElement("span");
    says.className = "says";
    says.textContent = words(item);
    const about = document.createElement("span");
    about.className = "about";
    about.textContent = `run ${item.run}, ${new Date(item.at).toLocaleString()}`;
    const told = document.createElement("span");
    told.className = "told";
    told.textContent = item.user !== me ? "given by somebody else: it waits until they sign in" : item.refused || "waits for the network";
    box.append(says, about, told);
    line.append(box);
    return line;
  };

  const show = async () => {
    const items = await all();
    if (shown) {
      shown.textContent = items.length ? `${items.length} not sent` : "all sent";
      shown.classList.toggle("waits", items.length > 0);
    }
    const list = document.getElementById("outbox-list");
    if (!list) return;
    list.replaceChildren(...items.map(row));
    document.getElementById("outbox-empty").hidden = items.length > 0;
  };

  const save = async () => {
    const file = new Blob([JSON.stringify(await all(), null, 2)], { type: "application/json" });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(file);
    link.download = `not-sent-${new Date().toISOString().slice(0, 10)}.json`;
    link.click();
    URL.revokeObjectURL(link.href);
  };

  document.getElementById("outbox-retry")?.addEventListener("click", send);
  document.getElementById("outbox-save")?.addEventListener("click", save);
  window.addEventListener("online", send);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && send());
  setInterval(send, EVERY);
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/offline-worker.js").catch(() => undefined);
  show().then(send);
  return { add, send, all, me };
})();
