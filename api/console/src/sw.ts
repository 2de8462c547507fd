// The service worker: it has the pages open while the server is away. What the API answers is never kept here.
// The builder puts in the names of the files, and the version that they give.
export {};
declare const FILES: string[];
declare const VERSION: string;

interface Waits extends Event {
  waitUntil(p: Promise<unknown>): void;
}
interface Asked extends Event {
  readonly request: Request;
  respondWith(p: Promise<Response>): void;
}
interface Worker {
  readonly registration: { readonly scope: string };
  readonly clients: { claim(): Promise<void> };
  addEventListener(type: "install" | "activate", f: (e: Waits) => void): void;
  addEventListener(type: "fetch", f: (e: Asked) => void): void;
}

const worker = self as unknown as Worker;
const patience = 3000; // ms: from then on a server that does not answer is away
const prefix = "console-";
const name = prefix + VERSION;

worker.addEventListener("install", (e) => e.waitUntil(caches.open(name).then((c) => c.addAll(FILES))));

worker.addEventListener("activate", (e) => e.waitUntil(tidy().then(() => worker.clients.claim())));

worker.addEventListener("fetch", (e) => {
  const { request } = e;
  if (request.method !== "GET" || !request.url.startsWith(worker.registration.scope)) return;
  if (request.mode === "navigate") e.respondWith(page(request));
  else if (/-[A-Z0-9]{8}\.(js|css)$/.test(request.url)) e.respondWith(file(request));
  else e.respondWith(fetch(request).catch(async () => (await caches.match(request)) ?? Response.error()));
});

/** tidy deletes what other versions had. Their pages are closed: until then this one waits. */
async function tidy(): Promise<void> {
  for (const had of await caches.keys()) if (had.startsWith(prefix) && had !== name) await caches.delete(had);
}

/** page answers with the page of the server, or with the kept one while it is away. */
async function page(request: Request): Promise<Response> {
  try {
    const answer = await fetch(request, { signal: AbortSignal.timeout(patience) });
    if (answer.status < 500) return answer;
  } catch {
    // It is away.
  }
  return (await caches.match("./", { ignoreVary: true })) ?? Response.error();
}

/** file answers with a file that never changes. */
async function file(request: Request): Promise<Response> {
  const had = await caches.match(request, { ignoreVary: true });
  if (had) return had;
  const answer = await fetch(request);
  if (answer.ok) await (await caches.open(name)).put(request, answer.clone());
  return answer;
}
