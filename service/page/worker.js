/** The offline shell: the page's own files, and the measures and pictures that were last looked at. */

const SHELL = "shell-1";
const SEEN = "seen-1";
const MOST_SEEN = 150;
const PATIENCE_MS = 4000; // with a weak connection, the page as it is kept opens after this long

const FILES = [
  "./", "app.css", "photo.css", "screens.css", "print.css", "manifest.webmanifest",
  ...["icon", "measure", "stash", "enough", "camera", "move", "add", "is-cloth", "not-cloth"].map((name) => `icons/${name}.svg`),
  ...["answer", "api", "confirm", "corners", "correct", "dom", "drawing", "edits", "enough", "geometry", "hints", "home", "keep", "labels", "loupe", "main", "measures",
    "notes", "pattern", "photo_form", "prefs", "progress", "queue", "result", "square", "stash", "tabs", "thumbnails", "units", "view"].map((name) => `modules/${name}.js`),
];

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(SHELL).then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const old = caches.keys().then((keys) => Promise.all(keys.filter((key) => key !== SHELL && key !== SEEN).map((key) => caches.delete(key))));
  event.waitUntil(old.then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== location.origin) return;
  if (request.method === "DELETE") event.respondWith(forget(request, url.pathname));
  else if (request.method !== "GET") return;
  else if (isKept(url.pathname)) event.respondWith(freshOrKept(event, SEEN));
  else if (!/^\/(v1|health|metrics|openapi)/.test(url.pathname)) event.respondWith(freshOrKept(event, SHELL));
});

/** @param {string} path whether its answers are kept to be looked at without a connection */
function isKept(path) {
  return /^\/v1\/(measurements|pieces|answers)(\/|$)/.test(path) && !/\.(csv|dxf|pdf|html)$/.test(path);
}

/** The service's answer, kept; without a connection the last one. */
async function freshOrKept(event, name) {
  const cache = await caches.open(name);
  const fresh = fetch(event.request).then((response) => {
    if (response.ok) event.waitUntil(cache.put(event.request, response.clone()).then(() => trim(cache, name)));
    return response;
  });
  fresh.catch(() => {});
  const kept = await cache.match(event.request);
  if (!kept) return fresh;
  const waited = fresh.catch(() => kept);
  if (name === SEEN) return waited; // figures are never older than the service's while it can be reached
  return Promise.race([waited, new Promise((resolve) => setTimeout(() => resolve(kept), PATIENCE_MS))]);
}

/** The oldest go first. */
async function trim(cache, name) {
  if (name !== SEEN) return;
  const keys = await cache.keys();
  await Promise.all(keys.slice(0, Math.max(0, keys.length - MOST_SEEN)).map((key) => cache.delete(key)));
}

/** What is deleted there is not kept here either, nor the lists that name it. */
async function forget(request, path) {
  const response = await fetch(request);
  if (response.ok) {
    const cache = await caches.open(SEEN);
    const gone = (await cache.keys()).filter(({ url }) => {
      const kept = new URL(url).pathname;
      return kept === path || kept.startsWith(`${path}/`) || kept === "/v1/measurements" || kept === "/v1/pieces" || kept.startsWith("/v1/pieces/");
    });
    await Promise.all(gone.map((key) => cache.delete(key)));
  }
  return response;
}
