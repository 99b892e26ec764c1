// Answers that were not confirmed by the server yet: kept in IndexedDB, sent in order, each under the name of the
// person who gave it, and taken out only on a receipt. Works without background sync.
"use strict";
const Outbox = (() => {
  const EVERY = 15000;
  const PATIENCE = 20000;
  const REFUSED = [400, 404, 409, 413, 422];
  // Nobody may or can take anything just now: signed out, or a proxy, a full disk or a busy database says so.
  const NOT_NOW = [401, 403, 429, 502, 503, 504];
  // So many faults of the server over one item, and the others go before it.
  const FAULTS = 3;
  const shown = document.getElementById("unsent");
  const me = Number(shown?.dataset.user || 0);
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

  // The last answer to a step that waits here: a second one was given with it in view.
  const lastOf = async (ofRun, step) =>
    (await all()).filter((item) => item.run === ofRun && item.step === step && item.kind === "answer").pop()?.client_id;

  // Changes an item that was sent, or takes it out; one that was filled in anew meanwhile stays as it is.
  const settle = (item, changes) =>
    run("readwrite", (store) => {
      const held = store.get(item.order);
      held.onsuccess = () => {
        if (held.result?.at !== item.at) return;
        if (changes) store.put({ ...held.result, ...changes });
        else store.delete(item.order);
      };
      return held;
    });

  // A random UUID (RFC 9562, version 4), also on pages that came over plain HTTP, where browsers do not make one.
  const id = () => {
    if (crypto.randomUUID) return crypto.randomUUID();
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 0x0f) | 0x40;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  };

  // Keeps an item. Rejects when this device cannot keep it; then nothing may be shown as kept.
  const add = async (item) => {
    const replaces = item.kind === "answer" ? (await lastOf(item.run, item.step)) || item.replaces || "" : undefined;
    const at = new Date().toISOString();
    const base = (location.pathname.match(/^\/jobs\/begun\/[0-9a-f-]+\/[a-z0-9-]+\/\d+\//) || [])[0];
    const locked = typeof TabletLock !== "undefined" && TabletLock.locked();
    // Pages of a procedure begun without the network do not know the vehicle; what began it does.
    const about = item.about || (await all()).find((each) => each.client_id === item.run)?.about;
    await put({ ...(base && { base }), ...item, about, user: me, at, replaces, locked, client_id: item.client_id || id() });
    navigator.storage?.persist?.();
    await show();
  };

  const asked = (address, how = {}) =>
    fetch(address, { credentials: "same-origin", cache: "no-store", signal: AbortSignal.timeout(PATIENCE), ...how });

  const post = (item, csrf) => {
    if (item.kind === "photo") return postPhoto(item, csrf);
    const { order, refused, faults, says, about, locked, base, ...sent } = item;
    const headers = { "Content-Type": "application/json", "X-CSRFToken": csrf };
    return asked(item.fields ? "/jobs/outbox/forms/" : `${placeFor(item.run)}outbox/`, { method: "POST", headers, body: JSON.stringify(sent) });
  };

  // A run that was begun without the network has no number yet, only its id.
  const placeFor = (ofRun) => (String(ofRun).includes("-") ? `/jobs/begun/${ofRun}/` : `/jobs/runs/${ofRun}/`);

  const postPhoto = ({ job, run: ofRun, client_id, answer, words, picture, type }, csrf) => {
    const body = new FormData();
    for (const [name, said] of Object.entries({ client_id, answer, words })) body.set(name, said);
    body.set("picture", new Blob([picture], { type }), "picture");
    const how = { method: "POST", headers: { "X-CSRFToken": csrf }, body, signal: AbortSignal.timeout(3 * PATIENCE) };
    return asked(`${job ? `/jobs/${job}/` : placeFor(ofRun)}outbox/photo/`, how);
  };

  // One item at once, without waiting its turn: the server's receipt, its words why not, or nothing where none came.
  const now = async (item) => {
    try {
      const { token, user } = await (await asked("/jobs/token/")).json();
      if (user !== me) return null;
      const answer = await post(item, token);
      if (answer.ok) return { stored: true };
      return REFUSED.includes(answer.status) ? { refused: (await refusal(answer)) } : null;
    } catch {
      return null;
    }
  };

  const refusal = async (answer) =>
    (await answer.json().catch(() => ({}))).error || `The server could not take it (${answer.status}).`;

  // Sends what is mine, oldest first, pictures last: they are large, and go with answers. A refused answer stays, with
  // the server's words, and so does one that the server failed on; those of its run wait behind it, all others go.
  // Tells whether the server was reached.
  const send = async () => {
    if (sending) return true;
    sending = true;
    let reached = true;
    try {
      const all_mine = (await all()).filter((item) => item.user === me && !item.locked);
      if (!all_mine.length) return true;
      const mine = inTurn(all_mine);
      const { token, user } = await (await asked("/jobs/token/")).json();
      if (user !== me) {
        tell("Sign in again under the name of the one who gave these answers; until then they stay on this device.");
        return true;
      }
      const stopped = new Set();
      for (const item of mine) {
        if (item.kind !== "photo" && stopped.has(placeOf(item))) continue;
        if (stopped.has(`alone ${item.job}`) || stopped.has(`run ${item.came_from}`)) {
          stopped.add(placeOf(item)); // what it rests on was not taken
          continue;
        }
        if (item.kind === "photo" && !item.job && stopped.has(`run ${item.run}`)) continue;
        if (!(await sent(item, token))) stopped.add(placeOf(item));
      }
      if (!(await all()).some((item) => item.user === me && !item.locked)) document.dispatchEvent(new Event("outbox-sent"));
    } catch {
      reached = false; // tried again on load, when the network returns, when the page is seen again, and by the clock
    } finally {
      sending = false;
      await show();
    }
    return reached;
  };

  const SENDING = "Sending…";
  const sendNow = async () => {
    tell(SENDING);
    const at = new Date().toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", second: "2-digit" });
    const away = `The server could not be reached at ${at}. What waits here goes by itself when it can be.`;
    if (!(await send())) tell(away);
    else if (document.getElementById("outbox-told").textContent === SENDING) tell("");
  };

  // Runs that hold an item which failed again and again go last, so that even a lasting timeout stops no others.
  const inTurn = (items) => {
    const failing = new Set(items.filter(fails).map(placeOf));
    for (const item of items) if (failing.has(`alone ${item.job}`)) failing.add(placeOf(item));
    const turn = (item) => (failing.has(placeOf(item)) ? 2 : 0) + (item.kind === "photo" ? 1 : 0);
    return [...items].sort((one, other) => turn(one) - turn(other));
  };
  const fails = (item) => (item.faults || 0) >= FAULTS;
  const placeOf = (item) => (item.kind === "photo" || !item.run ? `alone ${item.client_id}` : `run ${item.run}`);

  const late = []; // everything of this page's life: each round of sending would else hide what the one before told

  // Whether what stands behind this item may go: it was taken, or nothing rests on it.
  const sent = async (item, token) => {
    const answer = await posted(item, token);
    if (answer.ok) {
      const receipt = await answer.json().catch(() => ({ counts: true }));
      await settle(item);
      if (!receipt.counts) {
        late.push(words(item));
        tell(`Kept, but too late to count: ${late.join("; ")}. ${receipt.why} The page of the job lists it.`);
      }
      return true;
    }
    if (NOT_NOW.includes(answer.status)) throw new Error("not now");
    if (!REFUSED.includes(answer.status)) {
      const failed = await counted(item);
      tell(`${words(item)}: ${failure(failed)}`);
      return item.kind === "photo";
    }
    const why = await refusal(answer);
    await settle(item, { refused: why });
    tell(`${item.says || item.step}: not taken. ${why}`);
    return !["answer", "repair", "intake", "start"].includes(item.kind);
  };

  // A reply that never comes is counted too; the round ends there, for the network may be away.
  const posted = async (item, token) => {
    try {
      return await post(item, token);
    } catch (error) {
      if (error.name === "TimeoutError") await counted(item);
      throw error;
    }
  };

  const counted = async (item) => {
    const faults = (item.faults || 0) + 1;
    await settle(item, { faults });
    return { ...item, faults };
  };

  const failure = (item) =>
    `the server failed on this ${item.faults === 1 ? "once" : `${item.faults} times`}. It stays here and is tried again; ` +
    "what does not rest on it is sent. Tell whoever runs the server.";

  const tell = (words) => {
    let place = document.getElementById("outbox-told");
    if (!place) {
      place = Object.assign(document.createElement("p"), { id: "outbox-told", className: "tint" });
      place.setAttribute("role", "status");
      document.querySelector("main > .in").prepend(place);
    }
    place.textContent = words;
  };

  const words = (item) => {
    if (item.says) return item.says;
    if (item.kind === "value") return `${item.key}: ${item.typed}`;
    return item.kind === "danger" ? `danger ${item.caution}` : `${item.step}: ${item.outcome || item.skipped}`;
  };

  const piece = (kind, text) => Object.assign(document.createElement("span"), { className: kind, textContent: text });

  const state = (item) => {
    if (item.locked) return "given while this tablet was locked: it is not sent unless somebody says it was theirs";
    if (item.user !== me) return "given by somebody else: it waits until they sign in";
    if (item.refused) return `not taken: ${item.refused}`;
    return item.faults ? failure(item) : "waits for the network";
  };

  const row = (item) => {
    const line = Object.assign(document.createElement("li"), { className: "row" });
    const box = document.createElement("div");
    const when = new Date(item.at).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" });
    box.append(piece("says", words(item)), piece("about", `${item.about || `run ${item.run}`}, ${when}`), piece("told", state(item)));
    line.append(box);
    if (item.kind === "photo") line.prepend(small(item));
    if (item.locked && item.user === me && !["note", "danger"].includes(item.kind)) line.append(claimer(item));
    if (item.refused && item.fields && item.kind !== "start" && item.user === me) line.append(opener(item));
    if (item.kind === "intake" && item.user === me && !item.locked) line.append(beginner(item));
    if ((item.locked || item.refused || fails(item)) && item.user === me) line.append(taker(item));
    return line;
  };

  // A small copy of the picture, drawn here: pages may load pictures from the server alone.
  const small = (item) => {
    const canvas = Object.assign(document.createElement("canvas"), { className: "small-picture", width: 96, height: 96 });
    canvas.setAttribute("role", "img");
    canvas.setAttribute("aria-label", item.words || "Picture without words");
    createImageBitmap(new Blob([item.picture], { type: item.type })).then((drawn) => {
      const part = Math.max(96 / drawn.width, 96 / drawn.height);
      const [wide, high] = [drawn.width * part, drawn.height * part];
      canvas.getContext("2d").drawImage(drawn, (96 - wide) / 2, (96 - high) / 2, wide, high);
    }, () => undefined);
    return canvas;
  };

  // What was given while the tablet was locked goes only when the person it waits for says so, and says that with it.
  const claimer = (item) => {
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: "It was me: send it" });
    button.addEventListener("click", async () => {
      const words = item.kind === "photo" ? `Taken while the tablet was locked. ${item.words}`.trim().slice(0, 200) : undefined;
      await put({ ...item, locked: false, given_locked: "yes", ...(words && { words }) });
      await show();
      await send();
    });
    return button;
  };

  // A vehicle that was booked in without the network can be begun on.
  const beginner = (item) =>
    Object.assign(document.createElement("a"), { className: "button", href: `/jobs/begin/?job=${item.client_id}`, textContent: "Begin a procedure" });

  // A form that was refused opens as it was filled in, so that nothing is typed twice.
  const opener = (item) => {
    const base = (item.base || `/jobs/runs/${item.run}/`).replace(/^\/jobs\//, "");
    const page = { intake: "new", repair: `${base}pack-repair`, verify: `${base}pack-verify`, finding: `${base}pack-finding` }[item.kind];
    const href = `/jobs/${page || `${base}${item.kind}`}/?repair=${item.repair || ""}&again=${item.client_id}`;
    return Object.assign(document.createElement("a"), { className: "button", href, textContent: "Open it again" });
  };

  // An item that is refused, or fails again and again, can be taken off the device, but only into a file.
  const taker = (item) => {
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: "Save it and take it off" });
    button.addEventListener("click", async () => {
      await saved([item], `not-taken-${item.client_id}`);
      await drop(item.order);
      await show();
      await send();
    });
    return button;
  };

  const show = async () => {
    const items = await all().catch(() => []);
    if (shown) {
      shown.textContent = items.length ? `${items.length} not sent` : "all sent";
      shown.classList.toggle("unsent", items.length > 0);
      if (shown.dataset.quiet) shown.hidden = !items.length;
    }
    const list = document.getElementById("outbox-list");
    if (!list) return;
    wayBack(items);
    list.replaceChildren(...items.map(row));
    list.hidden = !items.length;
    const heading = document.getElementById("outbox-heading");
    if (heading) heading.textContent = items.length ? "Not sent yet" : "All sent";
    document.getElementById("outbox-empty").hidden = items.length > 0;
    for (const id of ["outbox-retry", "outbox-save"]) document.getElementById(id).hidden = !items.length;
  };

  // A picture's bytes as text, a data address, so that one file holds everything.
  const asText = ({ picture, ...item }) =>
    new Promise((resolve) => {
      if (!picture) return resolve(item);
      const reader = new FileReader();
      reader.onload = () => resolve({ ...item, picture: reader.result });
      reader.readAsDataURL(new Blob([picture], { type: item.type }));
    });

  // To the run one came from, or whose answers wait: its pages are kept here.
  const wayBack = (items) => {
    const from = (document.referrer.match(/\/jobs\/(?:runs\/\d+|begun\/[0-9a-f-]+\/[a-z0-9-]+\/\d+)\//) || [])[0];
    const last = items.findLast((item) => item.user === me && item.run && item.kind !== "start");
    const back = from || last?.base || (last && `/jobs/runs/${last.run}/`);
    const link = document.getElementById("outbox-run");
    link.hidden = !back;
    if (back) link.href = back;
  };

  const saved = async (items, name) => {
    const file = new Blob([JSON.stringify(await Promise.all(items.map(asText)), null, 2)], { type: "application/json" });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(file);
    link.download = `${name}.json`;
    link.click();
    URL.revokeObjectURL(link.href);
  };

  document.getElementById("outbox-retry")?.addEventListener("click", sendNow);
  document.getElementById("outbox-save")?.addEventListener("click", async () => {
    await saved(await all(), `not-sent-${new Date().toISOString().slice(0, 10)}`);
  });
  window.addEventListener("online", send);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && send());
  setInterval(send, EVERY);
  if ("serviceWorker" in navigator) {
    navigator.serviceWorker.register("/offline-worker.js").catch(() => undefined);
    navigator.serviceWorker.ready.then((worker) => 
      worker.active.postMessage({ kind: "user", user: me, shared: Boolean(document.querySelector("script[data-lock-minutes]")) }));
  }
  const elsewhere = document.getElementById("not-kept");
  if (elsewhere && location.pathname !== elsewhere.dataset.home) elsewhere.hidden = false;
  show().then(send);
  return { add, id, now, send, all, show, me };
})();
