import assert from "node:assert/strict";
import { createServer, type RequestListener, type Server } from "node:http";
import type { AddressInfo } from "node:net";
import { afterEach, beforeEach, mock, test } from "node:test";
import * as api from "../src/api.ts";
import { text } from "../src/text/text.ts";

/** Without a deadline a request of these tests would never end. */
const OPTIONS = { timeout: 20_000 };
const fetched = globalThis.fetch;

let servers: Server[] = [];
let deadlines: number[] = [];
let passed = new AbortController();

/** Answers to the addresses of the service; `heard`: called once an answer has begun. */
async function served(answer: RequestListener, heard: () => void = () => undefined): Promise<void> {
  const server = createServer(answer);
  servers.push(server);
  await new Promise<void>((resolve) => server.listen(0, "127.0.0.1", resolve));
  const base = `http://127.0.0.1:${(server.address() as AddressInfo).port}`;
  mock.method(globalThis, "fetch", async (path: string, init: RequestInit) => {
    const response = await fetched(base + path, init);
    heard();
    return response;
  });
}

beforeEach(() => {
  deadlines = [];
  passed = new AbortController();
  mock.method(AbortSignal, "timeout", (ms: number) => {
    deadlines.push(ms);
    return passed.signal;
  });
});

afterEach(() => {
  mock.restoreAll();
  for (const server of servers) {
    server.closeAllConnections();
    server.close();
  }
  servers = [];
});

const lost = (error: unknown): boolean => error instanceof api.Failure && error.status === 0 && error.message === text.failure.unreachable;
/** What AbortSignal.timeout aborts with. */
const late = (): void => passed.abort(new DOMException("late", "TimeoutError"));

test("a request that gets no answer is unreachable once its time is over, whatever it asks", OPTIONS, async () => {
  await served(late);
  const entry = { subject: { kind: "bin" as const, id: "alder" }, kind: "turned" as const };
  for (const ask of [() => api.getFarm(), () => api.addLogEntry(entry), () => api.getHealth()]) {
    passed = new AbortController();
    await assert.rejects(ask, lost);
  }
  assert.deepEqual(deadlines, [20_000, 20_000, 20_000]);
});

test("an answer that stops half way is none", OPTIONS, async () => {
  for (const status of [200, 503]) {
    passed = new AbortController();
    await served((_, response) => response.writeHead(status, { "Content-Type": "application/json" }).write('{"name": "Sh'), late);
    await assert.rejects(api.getFarm(), (error) => error instanceof api.Failure);
  }
});

test("a page of somebody else, as of a network that wants a sign-in, is no answer of the service", OPTIONS, async () => {
  await served((_, response) => response.end("<html>"));
  await assert.rejects(api.getFarm(), lost);
});

test("what the service says is told as it is, a refusal too", OPTIONS, async () => {
  await served((request, response) => {
    response.statusCode = request.url === "/api/v1/farm" ? 200 : 422;
    response.end(request.url === "/api/v1/farm" ? '{"name": "Shed"}' : '{"detail": "No such bin."}');
  });
  assert.deepEqual(await api.getFarm(), { name: "Shed" });
  await assert.rejects(api.getBin("x"), (error) => error instanceof api.Failure && error.status === 422 && error.message === "No such bin.");
});

test("what takes long by its nature is waited for longer", OPTIONS, async () => {
  await served((_, response) => response.end("{}"));
  await api.askReplay({ from: "2026-11-01T00:00:00Z", subjects: [], limits: [] });
  await api.getWeekly("2026-W48");
  await api.importLog({ map: {} as never, lines: "", first_line: 1, dry_run: true });
  await api.addPhoto(1, new Blob(["photo"]));
  assert.ok(deadlines.every((ms) => ms >= 60_000), String(deadlines));
});
