/** The service worker: keeps the page itself, so that it opens without the service. The API is never answered from here. */

/// <reference lib="WebWorker" />

const worker = self as unknown as ServiceWorkerGlobalScope;
const SHELL = "shell";
const PATIENCE_MS = 4000;

/** Keeps the page with all that it names, and forgets what it names no longer. */
async function keepShell(page: Response): Promise<void> {
  const cache = await caches.open(SHELL);
  const html = await page.clone().text();
  const named = [...html.matchAll(/(?:src|href)="(\/[^"]+)"/g)].map((match) => match[1] ?? "");
  const missing: string[] = [];
  for (const path of named) if ((await cache.match(path)) === undefined) missing.push(path);
  await cache.addAll(missing);
  await cache.put("/", page);
  for (const request of await cache.keys()) {
    const { pathname } = new URL(request.url);
    if (pathname !== "/" && !named.includes(pathname)) await cache.delete(request);
  }
}

async function freshPage(): Promise<Response> {
  const page = await fetch("/", { cache: "no-cache", signal: AbortSignal.timeout(PATIENCE_MS) });
  if (!page.ok) throw new Error(`The page answered ${page.status}`);
  return page;
}

worker.addEventListener("install", (event) => {
  event.waitUntil(
    freshPage()
      .then(keepShell)
      .then(() => worker.skipWaiting()),
  );
});

worker.addEventListener("activate", (event) => event.waitUntil(worker.clients.claim()));

worker.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== worker.location.origin) return;
  if (/^\/(api|healthz|metrics)(\/|$)/.test(url.pathname)) return;
  if (event.request.mode === "navigate") {
    event.respondWith(
      freshPage().then(
        (page) => {
          event.waitUntil(keepShell(page.clone()).catch(() => undefined));
          return page;
        },
        async () => (await caches.match("/")) ?? Response.error(),
      ),
    );
    return;
  }
  event.respondWith(caches.match(event.request).then((kept) => kept ?? fetch(event.request)));
});
