// Keeps the page for flight mode. With a network the newer page comes first; entries are not here.
"use strict";

const STORE = "reedlab-phone";
const FILES = ["./", "manifest.webmanifest", "icon.svg"];
const WAIT_MS = 3000; // a network that answers later than this counts as none

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(STORE).then((store) => store.addAll(FILES)));
  self.skipWaiting();
});

self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (event) => {
  if (event.request.method === "GET") event.respondWith(newest(event.request));
});

async function newest(request) {
  const store = await caches.open(STORE);
  const kept = await store.match(request, { ignoreSearch: true });
  const fresh = fetch(request).then(async (answer) => {
    if (answer.ok) await store.put(request, answer.clone());
    return answer;
  });
  if (!kept) return fresh;
  const tooLate = new Promise((resolve) => setTimeout(resolve, WAIT_MS, kept));
  return Promise.race([fresh.catch(() => kept), tooLate]);
}
