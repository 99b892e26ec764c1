// Keeps the pages of an open run on the device, and answers with them when the network is away.
"use strict";
const STATIC = "static-1";
const RUN = "run-";
const WAIT = 6000;

const runOf = (path) => (path.match(/^\/jobs\/runs\/(\d+)\//) || [])[1];

// Address under which a step of a run was kept, whatever page of the run was asked for.
const keptAs = (path) => {
  const step = path.match(/^\/jobs\/runs\/(\d+)\/steps\/([a-z0-9-]+)\//);
  return step ? `/jobs/runs/${step[1]}/pack/${step[2]}/` : path;
};

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

// Scripts, styles and pictures a kept page names.
const keepParts = async (text) => {
  const cache = await caches.open(STATIC);
  for (const [, part] of text.matchAll(/(?:src|href)="(\/static\/[^"]+)"/g)) {
    if (!(await cache.match(part))) await cache.add(part).catch(() => undefined);
  }
};

const keep = async (run, urls) => {
  const cache = await caches.open(RUN + run);
  for (const url of urls) {
    try {
      const answer = await fetch(url, { credentials: "same-origin", cache: "no-store" });
      if (!answer.ok || answer.redirected) continue;
      await cache.put(url, answer.clone());
      await keepParts(await answer.text());
    } catch {
      return; // away already: what was kept before stays
    }
  }
};

const forget = async () => {
  for (const name of await caches.keys()) if (name.startsWith(RUN)) await caches.delete(name);
};

self.addEventListener("message", (event) => {
  const told = event.data || {};
  if (told.kind === "keep") event.waitUntil(keep(told.run, told.urls));
  if (told.kind === "forget") event.waitUntil(forget());
});

const fromStatic = async (request) => {
  const cache = await caches.open(STATIC);
  const fresh = fetch(request).then((answer) => {
    if (answer.ok) cache.put(request, answer.clone());
    return answer;
  });
  const held = await cache.match(request);
  if (!held) return fresh;
  fresh.catch(() => undefined);
  return held;
};

const inTime = (request) =>
  new Promise((resolve, reject) => {
    const timer = setTimeout(() => reject(new Error("no answer in time")), WAIT);
    fetch(request).then(
      (answer) => { clearTimeout(timer); resolve(answer); },
      (error) => { clearTimeout(timer); reject(error); },
    );
  });

const page = async (request, path) => {
  try {
    return await inTime(request);
  } catch (error) {
    const run = runOf(path);
    for (const name of run ? [RUN + run] : await caches.keys()) {
      const held = await (await caches.open(name)).match(keptAs(path));
      if (held) return held;
    }
    throw error;
  }
};

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/static/")) event.respondWith(fromStatic(request));
  else if (request.mode === "navigate" && url.pathname.startsWith("/jobs/")) event.respondWith(page(request, url.pathname));
});
