// Keeps the pages of an open run on the device, and answers with them when the network is away.
"use strict";
const STATIC = "static-1";
const RUN = "run-";
const WHO = "who";
const WAIT = 6000;
const OUTBOX = "/jobs/outbox/";
const NEW = "/jobs/new/";
const VEHICLES = "/jobs/known-vehicles/";
const BEGIN = "/jobs/begin/";
const OFFICE = "office";
// A procedure is kept as it stood for so long; its revision never changes, words of cautions and of pages may.
const FRESH = 12 * 60 * 60 * 1000;
// Fetched once with a run: its steps do not change them.
const AT_ONCE = [NEW, VEHICLES, BEGIN];
const SIGN_OUT = "/sign-out/";
const SIGN_IN = "/sign-in/";
const SWITCH = "/switch/";
const LOCKED = "/jobs/locked/";
const SLACK = 60000;

const runOf = (path) => (path.match(/^\/jobs\/runs\/(\d+)\//) || [])[1];

// Address under which a page of a run was kept, whatever page of the run was asked for.
const keptAs = (path) => {
  const begun = path.match(/^\/jobs\/begun\/[0-9a-f-]+\/([a-z0-9-]+\/\d+)\//);
  if (begun) return `/jobs/packs/${begun[1]}/`;
  const step = path.match(/^\/jobs\/runs\/(\d+)\/steps\/([a-z0-9-]+)\//);
  return step ? `/jobs/runs/${step[1]}/pack/${step[2]}/` : path;
};

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

const isPage = (answer) => (answer.headers.get("Content-Type") || "").startsWith("text/html");

// The answer with all of its body in hand. A connection cut off in the middle can leave a body that merely ends, and
// kept as it came, an empty page would stand here for good in place of the whole one from before.
const whole = async (answer) => {
  const body = await answer.arrayBuffer();
  const headers = new Headers(answer.headers);
  const length = headers.has("Content-Encoding") ? null : headers.get("Content-Length");
  if (!body.byteLength || (length !== null && Number(length) !== body.byteLength)) throw new Error("cut off");
  // Compressed, its length is not known; a page of ours has all of it when its last tag is there.
  const end = isPage(answer) ? new TextDecoder().decode(body.slice(-64)).trimEnd() : "</html>";
  if (!end.endsWith("</html>")) throw new Error("cut off");
  for (const name of ["Content-Encoding", "Content-Length"]) headers.delete(name);
  return new Response(body, { status: answer.status, headers });
};

// Scripts, styles and pictures a kept page names; faces a style names.
const keepParts = async (text, base) => {
  const cache = await caches.open(STATIC);
  const found = [...text.matchAll(/(?:src|href)="(\/static\/[^"]+)"/g), ...text.matchAll(/url\("?([^")]+)"?\)/g)];
  for (const [, part] of found) {
    const address = new URL(part, base);
    if (address.origin !== self.location.origin || (await cache.match(address))) continue;
    const fresh = await fetch(address).catch(() => null);
    if (!fresh?.ok) continue;
    const answer = await whole(fresh);
    await cache.put(address, answer.clone());
    if (address.pathname.endsWith(".css")) await keepParts(await answer.text(), address);
  }
};

// What the device fetches by itself puts no lock of a shared tablet off.
const KEEPING = { "X-Keeping": "yes" };

// Pictures of instructions and jobs are the shop's own: they go with the run, and are forgotten with it.
const PICTURES = /^\/(?:procedures\/pictures|jobs\/photos)\/[\w.-]+$/;
const keepPictures = async (text, cache) => {
  const named = [...text.matchAll(/<img[^>]*\ssrc="([^"]+)"/g)].map(([, address]) => address);
  for (const address of named.filter((each) => PICTURES.test(each))) {
    if (await cache.match(address)) continue;
    const answer = await fetch(address, { credentials: "same-origin", headers: KEEPING });
    if (answer.ok && !answer.redirected) await cache.put(address, await whole(answer));
  }
};

// A later page of the run knows better what is still needed: what was asked for before it is left.
let turn = 0;
const keep = async (run, urls, mine) => {
  const cache = await caches.open(RUN + run);
  for (const url of urls) {
    if (mine !== turn) return;
    const held = await cache.match(url);
    if (held && AT_ONCE.includes(url) && run !== OFFICE) continue;
    if (held && url.startsWith("/jobs/packs/") && Date.now() - new Date(held.headers.get("Date")) < FRESH) continue;
    try {
      const fresh = await fetch(url, { credentials: "same-origin", cache: "no-store", headers: KEEPING });
      if (!fresh.ok || fresh.redirected) continue;
      const answer = await whole(fresh);
      const text = await answer.clone().text();
      // A page that is held works: what it needs is kept before it.
      await keepParts(text, self.location.origin);
      await keepPictures(text, cache);
      await cache.put(url, answer);
    } catch {
      return; // away already: what was kept before stays
    }
  }
};

// Procedures that no longer travel are left; the rest of the office's pages stays.
const leave = async (urls) => {
  const cache = await caches.open(RUN + OFFICE);
  for (const request of await cache.keys()) {
    const { pathname } = new URL(request.url);
    if (pathname.startsWith("/jobs/packs/") && !urls.includes(pathname)) await cache.delete(request);
  }
};

// The page of the run itself is that of the step which is to be done now, or of the end.
const stand = async (run, here) => {
  const cache = await caches.open(RUN + run);
  const held = await cache.match(here ? `/jobs/runs/${run}/pack/${here}/` : `/jobs/runs/${run}/pack-end/`);
  if (held) await cache.put(`/jobs/runs/${run}/`, held);
};

const forget = async () => {
  for (const name of await caches.keys()) if (name.startsWith(RUN)) await caches.delete(name);
};

// Kept pages carry the name of the person they were kept for; nobody else answers on them.
const belongsTo = async (user) => {
  const cache = await caches.open(WHO);
  const before = await (await cache.match("/who"))?.text();
  if (before !== undefined && before !== String(user)) await forget();
  await cache.put("/who", new Response(String(user)));
};

// The lock of a shared tablet: when somebody touched it last, and after how many minutes it asks who is there. A page
// that the server gave opens it again; touches do not, and a clock that went back counts as too long.
const lock = async () => (await (await (await caches.open(WHO)).match("/lock"))?.json()) || { minutes: 0 };
const setLock = async (state) => (await caches.open(WHO)).put("/lock", new Response(JSON.stringify(state)));
const locked = async () => {
  const { minutes, at, shut } = await lock();
  const idle = Date.now() - at;
  const now = minutes > 0 && (shut || idle > minutes * 60000 || idle < -SLACK);
  if (now && !shut) await setLock({ minutes, at, shut: true });
  return now;
};
const touched = async ({ at, minutes }) => (await locked()) || setLock({ minutes, at, shut: false });
const opened = async () => {
  const { minutes } = await lock();
  if (minutes > 0) await setLock({ minutes, at: Date.now(), shut: false });
};
const unshared = async () => (await caches.open(WHO)).delete("/lock");
const lockedPage = async () => {
  for (const name of await caches.keys()) {
    const held = name.startsWith(RUN) && (await (await caches.open(name)).match(LOCKED));
    if (held) return held;
  }
  return Response.error();
};

let last = Promise.resolve();
self.addEventListener("message", (event) => {
  const told = event.data || {};
  if (told.kind === "keep") turn += 1;
  const mine = turn;
  const act = {
    user: () => belongsTo(told.user).then(() => told.shared || unshared()),
    touch: () => touched(told),
    keep: () => stand(told.run, told.here).then(() => keep(told.run, told.urls, mine)).then(() => stand(told.run, told.here)),
    here: () => !told.run.includes("-") && stand(told.run, told.here),
    office: () => keep(OFFICE, told.urls, mine).then(() => told.also || mine !== turn || leave(told.urls)),
  }[told.kind];
  if (!act) return;
  last = last.then(act, act);
  event.waitUntil(last);
});

const fromStatic = async (request) => {
  const cache = await caches.open(STATIC);
  const fresh = fetch(request).then((answer) => {
    if (answer.ok) whole(answer.clone()).then((kept) => cache.put(request, kept)).catch(() => undefined);
    return answer;
  });
  const held = await cache.match(request);
  if (!held) return fresh;
  fresh.catch(() => undefined);
  return held;
};

const picture = async (request) => {
  try {
    return await fetch(request);
  } catch (away) {
    if (await locked()) throw away;
    for (const name of await caches.keys()) {
      const held = name.startsWith(RUN) && (await (await caches.open(name)).match(request.url));
      if (held) return held;
    }
    throw away;
  }
};

const late = () => new Promise((_resolve, reject) => setTimeout(() => reject(new Error("no answer in time")), WAIT));

// Half a page has no buttons: it is shown when all of it has come, and counts as no answer when it is cut off.
const allOf = async (answer) => (answer.ok && isPage(answer) ? whole(answer) : answer);

// A page of a run that is kept here is not waited for long; any other is, and only when the network is away the list of
// what was not sent stands in for it.
const page = async (request, path) => {
  const fresh = fetch(request).then(allOf);
  fresh.catch(() => undefined);
  const run = runOf(path);
  const begun = path.startsWith("/jobs/begun/");
  try {
    const answer = await (run || begun ? Promise.race([fresh, late()]) : fresh);
    if (answer.headers.get("X-Tablet") === "open") await opened();
    return answer;
  } catch {
    if (await locked()) return lockedPage();
    await opened();
    const held = run && (await (await caches.open(RUN + run)).match(keptAs(path)));
    if (begun) return (await anywhere(keptAs(path))) || (await anywhere(OUTBOX)) || Response.error();
    return held || fresh.catch(async () =>
      ([NEW, BEGIN].includes(path) && (await anywhere(path))) || (await anywhere(OUTBOX)) || Response.error());
  }
};

// A page that belongs to no run, with whichever run it was kept.
const anywhere = async (path) => {
  for (const name of (await caches.keys()).filter((each) => each.startsWith(RUN)).reverse()) {
    const held = await (await caches.open(name)).match(path);
    if (held) return held;
  }
  return undefined;
};

const vehicles = async (request) => {
  try {
    return await fetch(request);
  } catch (away) {
    const held = !(await locked()) && (await anywhere(VEHICLES));
    if (held) return held;
    throw away;
  }
};

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method === "POST" && url.pathname === SIGN_OUT) event.waitUntil(forget());
  if (request.method !== "GET") return;
  if (url.pathname.startsWith("/static/")) event.respondWith(fromStatic(request));
  else if (url.pathname === VEHICLES) event.respondWith(vehicles(request));
  else if (PICTURES.test(url.pathname)) event.respondWith(picture(request));
  else if (request.mode === "navigate" && url.pathname !== SIGN_IN) event.respondWith(page(request, url.pathname));
});
