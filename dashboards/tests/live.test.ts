import assert from "node:assert/strict";
import { afterEach, beforeEach, mock, test } from "node:test";
import { type Batch, Gatherer, type Link, Listener, parseNudge, type Stream } from "../src/live.ts";

class FakeStream implements Stream {
  readyState = 0;
  closed = false;
  private readonly listeners = new Map<string, (event: { data?: string }) => void>();

  addEventListener(type: string, listener: (event: { data?: string }) => void): void {
    this.listeners.set(type, listener);
  }

  close(): void {
    this.closed = true;
  }

  emit(type: string, data?: string): void {
    this.listeners.get(type)?.(data === undefined ? {} : { data });
  }
}

beforeEach(() => mock.timers.enable({ apis: ["setTimeout", "Date"] }));
afterEach(() => mock.timers.reset());

function listening(): { streams: FakeStream[]; batches: Batch[]; links: Link[]; listener: Listener } {
  const streams: FakeStream[] = [];
  const batches: Batch[] = [];
  const links: Link[] = [];
  const open = (): FakeStream => {
    const stream = new FakeStream();
    streams.push(stream);
    return stream;
  };
  const listener = new Listener(open, (batch) => batches.push(batch), (link) => links.push(link));
  listener.start();
  return { streams, batches, links, listener };
}

test("nudges are gathered for a moment and each thing is named once", () => {
  const batches: Batch[] = [];
  const gatherer = new Gatherer((batch) => batches.push(batch));
  for (let i = 0; i < 50; i++) gatherer.add({ kind: "bin", id: "alder" }, Date.now());
  gatherer.add({ kind: "alarm", id: "3" }, Date.now());
  mock.timers.tick(149);
  assert.equal(batches.length, 0);
  mock.timers.tick(1);
  assert.deepEqual(batches, [[{ kind: "bin", id: "alder" }, { kind: "alarm", id: "3" }]]);
});

test("under a stream of nudges the page is told at most once a second, and of the last one too", () => {
  const batches: Batch[] = [];
  const gatherer = new Gatherer((batch) => batches.push(batch));
  for (let ms = 0; ms < 5000; ms += 50) {
    gatherer.add({ kind: "bin", id: `b${ms}` }, Date.now());
    mock.timers.tick(50);
  }
  mock.timers.tick(1000);
  assert.ok(batches.length <= 6, `${batches.length} batches`);
  const named = batches.flatMap((batch) => (batch === "all" ? [] : batch.map((n) => n.id)));
  assert.equal(named.length, 100);
});

test("a resync makes everything due, whatever else was named", () => {
  const { streams, batches } = listening();
  streams[0]?.emit("open");
  mock.timers.tick(2000);
  mock.timers.tick(3000);
  batches.length = 0;
  streams[0]?.emit("changed", '{"kind":"bin","id":"alder"}');
  streams[0]?.emit("resync", "{}");
  mock.timers.tick(200);
  assert.deepEqual(batches, ["all"]);
});

test("a nudge that cannot be read makes everything due rather than nothing", () => {
  const { streams, batches } = listening();
  streams[0]?.emit("changed", "not json");
  mock.timers.tick(200);
  assert.deepEqual(batches, ["all"]);
  assert.equal(parseNudge('{"kind":"bin"}'), null);
});

test("a lost stream is stale since the first failure, and live with everything due once it is back", () => {
  const { streams, batches, links } = listening();
  streams[0]?.emit("open");
  mock.timers.tick(5000);
  const lostAt = Date.now();
  streams[0]?.emit("error");
  mock.timers.tick(3000);
  streams[0]?.emit("error");
  assert.deepEqual(links, [{ state: "live" }, { state: "stale", sinceMs: lostAt }]);
  batches.length = 0;
  streams[0]?.emit("open");
  mock.timers.tick(200);
  assert.deepEqual(links.at(-1), { state: "live" });
  assert.deepEqual(batches, ["all"]);
});

test("a page just opened is not fetched twice at once, but once more a little later", () => {
  const { streams, batches } = listening();
  streams[0]?.emit("open");
  streams[0]?.emit("resync");
  mock.timers.tick(1500);
  assert.deepEqual(batches, []);
  mock.timers.tick(500);
  mock.timers.tick(500);
  assert.deepEqual(batches, ["all"]);
});

test("a page whose first stream failed fetches everything once it is heard, and after each gap", () => {
  const { streams, batches } = listening();
  streams[0]?.emit("error");
  streams[0]?.emit("open");
  mock.timers.tick(200);
  assert.deepEqual(batches, ["all"]);
  mock.timers.tick(5000);
  streams[0]?.emit("resync");
  mock.timers.tick(200);
  assert.deepEqual(batches, ["all", "all"]);
});

test("a stream that was refused is opened again, less and less often", () => {
  const { streams } = listening();
  const refuse = (): void => {
    const stream = streams.at(-1);
    if (stream === undefined) return;
    stream.readyState = 2;
    stream.emit("error");
  };
  refuse();
  mock.timers.tick(1000);
  assert.equal(streams.length, 2);
  refuse();
  mock.timers.tick(1000);
  assert.equal(streams.length, 2);
  mock.timers.tick(1000);
  assert.equal(streams.length, 3);
});

test("a request that does not reach the service is taken as a lost link at once", () => {
  const { streams, links, listener } = listening();
  streams[0]?.emit("open");
  listener.unreachable();
  assert.equal(links.at(-1)?.state, "stale");
  assert.equal(streams[0]?.closed, true);
  listener.unreachable();
  assert.equal(streams.length, 2);
});

test("a page that nobody sees holds no stream, and the link is not told as lost", () => {
  const { streams, links, listener } = listening();
  streams[0]?.emit("open");
  listener.leave();
  assert.equal(streams[0]?.closed, true);
  listener.unreachable();
  listener.start();
  mock.timers.tick(120_000);
  assert.equal(streams.length, 1);
  assert.deepEqual(links, [{ state: "live" }]);
});

test("a page that is seen again listens, and fetches everything at once, for nobody told it", () => {
  const { streams, batches, links, listener } = listening();
  streams[0]?.emit("open");
  mock.timers.tick(5000);
  batches.length = 0;
  listener.leave();
  mock.timers.tick(60_000);
  assert.deepEqual(batches, []);
  listener.back();
  streams[1]?.emit("open");
  mock.timers.tick(200);
  assert.deepEqual(batches, ["all"]);
  assert.deepEqual(links, [{ state: "live" }, { state: "live" }]);
  listener.back();
  assert.equal(streams.length, 2);
});

test("what had been told and not yet fetched when a page was left is fetched when it is seen again", () => {
  const { streams, batches, listener } = listening();
  streams[0]?.emit("open");
  mock.timers.tick(5000);
  batches.length = 0;
  streams[0]?.emit("changed", '{"kind":"bin","id":"alder"}');
  listener.leave();
  listener.back();
  streams[1]?.emit("open");
  mock.timers.tick(200);
  assert.deepEqual(batches, ["all"]);
});

test("a page opened unseen listens from when it is seen", () => {
  const streams: FakeStream[] = [];
  const listener = new Listener(
    () => {
      const stream = new FakeStream();
      streams.push(stream);
      return stream;
    },
    () => undefined,
    () => undefined,
  );
  listener.leave();
  listener.start();
  assert.equal(streams.length, 0);
  listener.back();
  assert.equal(streams.length, 1);
});

test("a service that does not answer a page seen again is told as lost", () => {
  const { streams, links, listener } = listening();
  streams[0]?.emit("open");
  listener.leave();
  listener.back();
  streams[1]?.emit("error");
  assert.equal(links.at(-1)?.state, "stale");
});
