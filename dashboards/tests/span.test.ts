import assert from "node:assert/strict";
import { test } from "node:test";
import { endsNow, forecastRoom, moved, rangeOf } from "../src/charts/span.ts";

const HOUR = 3_600_000;
const NOW = 1_000 * HOUR;

test("a span ends now until one goes back, and comes back to now by itself", () => {
  const start = { span: "24h", end: null } as const;
  assert.deepEqual(rangeOf(start, NOW), { from: NOW - 24 * HOUR, to: NOW });
  const back = moved(start, -1, NOW);
  assert.deepEqual(rangeOf(back, NOW), { from: NOW - 36 * HOUR, to: NOW - 12 * HOUR });
  assert.equal(endsNow(back), false);
  assert.equal(endsNow(moved(back, 1, NOW)), true);
});

test("a stretch drawn across keeps its width and never reaches past now", () => {
  const later = moved({ from: NOW - 5 * HOUR, to: NOW - HOUR }, 1, NOW);
  assert.deepEqual(rangeOf(later, NOW), { from: NOW - 4 * HOUR, to: NOW });
});

test("only a forecast within sight makes room", () => {
  const width = 24 * HOUR;
  assert.ok(forecastRoom(width, [{ at: 8 * HOUR, high: 9 * HOUR }]) > 9 * HOUR);
  assert.ok(forecastRoom(width, [{ at: 8 * HOUR, high: 900 * HOUR }]) <= width / 2);
  assert.ok(forecastRoom(width, [{ at: 200 * HOUR, high: 220 * HOUR }]) < HOUR);
  assert.ok(forecastRoom(width, []) < HOUR);
});
