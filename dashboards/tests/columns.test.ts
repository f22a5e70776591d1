import assert from "node:assert/strict";
import { test } from "node:test";
import * as c from "../src/charts/columns.ts";
import type { Readings } from "../src/shapes.ts";

const MINUTE = 60_000;

function readings(minutes: number[], mean: number[]): Readings {
  const time = minutes.map((m) => new Date(m * MINUTE).toISOString());
  const count = mean.map(() => 1);
  return { channel: 1, unit: "%", quantity: "moisture", time, low: mean.map((v) => v - 1), mean, high: mean.map((v) => v + 1), count };
}

test("channels with their own times share one ascending column of times, each time once", () => {
  const { time, lines } = c.columns([readings([0, 10, 20], [1, 2, 3]), readings([5, 10, 15], [7, 8, 9])], 0);
  assert.deepEqual(time.map((t) => t / MINUTE), [0, 5, 10, 15, 20]);
  assert.deepEqual(lines[0]?.mean, [1, undefined, 2, undefined, 3]);
  assert.deepEqual(lines[1]?.mean, [undefined, 7, 8, 9, undefined]);
});

test("silence breaks a line with null, another channel's reading does not", () => {
  const { time, lines } = c.columns([readings([0, 10, 20, 30, 120, 130], [1, 1, 1, 1, 1, 1]), readings([12, 22], [5, 5])], 0);
  const mean = lines[0]?.mean ?? [];
  const broken = time.filter((_, i) => mean[i] === null).map((t) => t / MINUTE);
  assert.deepEqual(broken, [75]);
  assert.equal(lines[1]?.mean.includes(null), false);
});

test("one lost reading is no silence", () => {
  const { lines } = c.columns([readings([0, 10, 20, 40, 50], [1, 1, 1, 1, 1])], 0);
  assert.equal(lines[0]?.mean.includes(null), false);
});

test("a probe that changes its rhythm was not silent, and one that stops in either was", () => {
  const hourly = Array.from({ length: 8 }, (_, i) => i * 60);
  const often = Array.from({ length: 40 }, (_, i) => 480 + i);
  const late = Array.from({ length: 8 }, (_, i) => 560 + i);
  const minutes = [...hourly, ...often, ...late];
  const broken = (found: c.Columns): number[] => found.time.filter((_, i) => found.lines[0]?.mean[i] === null).map((t) => t / MINUTE);
  // 519 to 560 are 41 of the minutes usual there; from hour to hour, and from the last hour to the first minute, is as usual.
  assert.deepEqual(broken(c.columns([readings(minutes, minutes.map(() => 1))], 0)), [539.5]);
});

test("readings put together into buckets are not silent between them", () => {
  // Bursts of a reading a minute, each in one bucket of half an hour, but for three buckets that the probe left out.
  const minutes = [0, 30, 31, 60, 90, 91, 120, 150, 180];
  const { lines } = c.columns([readings(minutes, minutes.map(() => 1))], 30 * MINUTE);
  assert.equal(lines[0]?.mean.includes(null), false);
  const apart = c.columns([readings([0, 30, 60, 240, 270], [1, 1, 1, 1, 1])], 30 * MINUTE);
  assert.deepEqual(apart.time.filter((_, i) => apart.lines[0]?.mean[i] === null).map((t) => t / MINUTE), [150]);
});

test("the lowest and the highest stand on the same rows as the mean", () => {
  const { lines } = c.columns([readings([0, 10], [4, 6])], 0);
  assert.deepEqual(lines[0]?.low, [3, 5]);
  assert.deepEqual(lines[0]?.high, [5, 7]);
});

test("nothing read gives empty columns", () => {
  assert.deepEqual(c.columns([], 0), { time: [], lines: [] });
  assert.deepEqual(c.columns([readings([], [])], 0).time, []);
});

test("the crosshair finds the nearest value of a channel that was silent there", () => {
  assert.equal(c.nearestFilled([1, undefined, null, undefined, 5], 3), 4);
  assert.equal(c.nearestFilled([1, undefined, undefined], 2), 0);
  assert.equal(c.nearestFilled([undefined, null], 0), null);
});

test("a lane takes in a limit that is near and leaves out one that is far", () => {
  const near = c.laneRange([[66, 70]], [65], 10);
  assert.ok(near.low < 65 && near.high > 70);
  const far = c.laneRange([[66, 70]], [10], 10);
  assert.ok(far.low > 55);
});

test("a steady value still gets the least span, around it", () => {
  const range = c.laneRange([[20, 20]], [], 5);
  assert.ok(range.high - range.low >= 5);
  assert.ok(Math.abs((range.high + range.low) / 2 - 20) < 0.01);
});

test("two lanes share the height without touching: each scale shows its range in its own part", () => {
  const range = { low: 60, high: 90 };
  const place = (scale: c.Range, v: number): number => (v - scale.low) / (scale.high - scale.low);
  const top = c.laneScale(range, 0, 2);
  const bottom = c.laneScale(range, 1, 2);
  assert.equal(place(top, 90), 1);
  assert.ok(Math.abs(place(bottom, 60)) < 1e-9);
  assert.ok(place(top, 60) > place(bottom, 90));
  assert.deepEqual(c.laneScale(range, 0, 1), range);
});

test("ticks are round, inside the range and few", () => {
  assert.deepEqual(c.ticks({ low: 57.2, high: 91 }, 4), [60, 70, 80, 90]);
  assert.deepEqual(c.ticks({ low: -0.3, high: 0.31 }, 4), [-0.2, 0, 0.2]);
});

test("the table has at most so many rows, the first and the last among them, none of them empty", () => {
  const time = Array.from({ length: 500 }, (_, i) => i);
  const line = time.map((t) => (t % 2 === 0 ? t : undefined));
  const rows = c.tableRows(time, [line], 50);
  assert.equal(rows.length, 50);
  assert.equal(rows[0], 0);
  assert.equal(rows.at(-1), 498);
  assert.ok(rows.every((row) => line[row] !== undefined));
});

test("marks that would lie on each other are gathered, and none outside the range is shown", () => {
  const mark = (at: number): c.Mark => ({ at, key: String(at) });
  const groups = c.gathered([mark(50), mark(10), mark(12), mark(999)], { from: 0, to: 100 }, 100, 30);
  assert.deepEqual(groups.map((g) => g.map((m) => m.at)), [[10, 12], [50]]);
});
