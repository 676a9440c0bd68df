// Keeps the page to feed from, and what it is made of, for when there is no network. It keeps
// nothing that was entered: that is in the queue (queue.js), which outlives it.
"use strict";
const told = TOLD_BY_THE_SERVICE;
const FILES = `files ${told.files.map((file) => file.split("=").pop()).join(" ")}`;
const PAGES = "pages";
const PATIENCE_MS = 3000;
const WHO = ["/log-in", "/log-out"], WHAT = ["/site", "/language"];

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(FILES).then((kept) => kept.addAll(told.files)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    await self.clients.claim();
    // A page that was kept is made of the files of its time: they stay until it was read again.
    if (!(await renewed())) return;
    for (const name of await caches.keys()) if (name !== FILES && name !== PAGES) await caches.delete(name);
  })());
});

// The copy is for whom it was made: it goes when somebody logs in or out, chooses another site or
// language, or is logged in no more.
// An answer that was asked for before that is not kept after it.
let turn = 0;
const forget = () => { turn += 1; return caches.delete(PAGES); };

const keep = async (request, answer, asked) => {
  if (answer.status === 401) await forget();
  if (answer.status === 200 && !answer.redirected && asked === turn) {
    const kept = await caches.open(PAGES);
    await kept.put(request.url, answer.clone());
  }
  return answer;
};

// Whether every page that is kept is made of the files of now.
const renewed = async () => {
  const kept = await caches.open(PAGES);
  for (const { url } of await kept.keys()) {
    try {
      const asked = turn, answer = await fetch(url, { headers: { Accept: "text/html" } });
      await keep({ url }, answer, asked);
      if (answer.status !== 200 && answer.status !== 401) return false;
    } catch { return false; }
  }
  return true;
};

const after = (ms) => new Promise((resolve) => { setTimeout(resolve, ms); });

const nothingKept = () => new Response(
  `<!doctype html><html lang="${told.language}"><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Fishhouse</title>` +
  `<link rel="stylesheet" href="${told.files[0]}"><main class="narrow"><h1>Fishhouse</h1><p class="problem">${told.noCopy}</p>` +
  `<p>${told.stillKept}</p><p><a class="button" href="/feed">${told.feed}</a></p></main></html>`,
  { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });

// The network first, for as long as somebody waits; then the copy.
const page = async (request, fresh) => {
  const copy = await (await caches.open(PAGES)).match(request.url);
  try {
    const answer = copy ? await Promise.race([fresh, after(PATIENCE_MS)]) : await fresh;
    return answer || copy;
  } catch { return copy || nothingKept(); }
};

self.addEventListener("fetch", (event) => {
  const { request } = event, address = new URL(request.url);
  if (address.origin !== self.location.origin) return;
  if (request.method === "POST" && [...WHO, ...WHAT].includes(address.pathname)) {
    // Before, for whoever goes, with or without a network; and after, for what another tab has
    // asked for meanwhile.
    const before = WHO.includes(address.pathname) ? forget() : Promise.resolve();
    event.respondWith(before.then(() => fetch(request)).then(async (answer) => { await forget(); return answer; }));
  } else if (request.method === "GET" && address.pathname === "/feed") {
    const asked = turn;
    const fresh = fetch(request).then((answer) => keep(request, answer, asked));
    event.waitUntil(fresh.catch(() => {}));
    event.respondWith(page(request, fresh));
  } else if (request.method === "GET" && address.pathname.startsWith("/static/")) {
    event.respondWith(caches.match(request).then((copy) => copy || fetch(request)));
  } else if (request.mode === "navigate" && request.method === "GET") {
    event.respondWith(fetch(request).catch(nothingKept));
  }
});
