// The page without a signal: all files of one build in a cache named by its hash, all or none. `/v1` is never touched.

/** @typedef {{build: string, files: string[]}} Build */

const worker = /** @type {any} */ (globalThis);
const PREFIX = "tankside-";
/** This worker's build, from the address that it was registered with. */
const BUILD = new URL(worker.location.href).searchParams.get("build") ?? "";

worker.addEventListener("install", (/** @type {any} */ event) => event.waitUntil(install()));
worker.addEventListener("activate", (/** @type {any} */ event) => event.waitUntil(activate()));
worker.addEventListener("message", (/** @type {any} */ event) => {
  if (event.data === "take over") void worker.skipWaiting();
});

async function install() {
  const named = /** @type {Build} */ (await (await fetch("/build.json", { cache: "no-store" })).json());
  if (named.build !== BUILD) throw new Error(`the service has build ${named.build} now, not ${BUILD}`);
  const cache = await caches.open(PREFIX + BUILD);
  await cache.addAll(named.files.map((file) => new Request(file, { cache: "no-store" })));
  // A deployment in between would have mixed two builds.
  const after = /** @type {Build} */ (await (await fetch("/build.json", { cache: "no-store" })).json());
  if (after.build !== BUILD) {
    await caches.delete(PREFIX + BUILD);
    throw new Error("the build changed while it was fetched");
  }
}

async function activate() {
  for (const name of await caches.keys()) {
    if (name.startsWith(PREFIX) && name !== PREFIX + BUILD) await caches.delete(name);
  }
  await worker.clients.claim();
}

worker.addEventListener("fetch", (/** @type {any} */ event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== worker.location.origin || url.pathname.startsWith("/v1")) return;
  if (url.pathname === "/build.json" || url.pathname === "/sw.js") return;
  event.respondWith(fromCache(request, url));
});

/** @param {Request} request @param {URL} url */
async function fromCache(request, url) {
  const cache = await caches.open(PREFIX + BUILD);
  const path = url.pathname === "/index.html" ? "/" : url.pathname;
  return (await cache.match(path, { ignoreVary: true })) ?? fetch(request);
}
