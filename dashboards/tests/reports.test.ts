import assert from "node:assert/strict";
import { test } from "node:test";
import { keyOf, rows, thingOf, together } from "../src/reports.ts";
import type { Figures, PositionReport, Watched, WeeklyReport } from "../src/shapes.ts";

const figures = (median: number): Figures => ({
  known_pct: 100,
  in_range_pct: 90,
  below_pct: 10,
  above_pct: 0,
  lowest: { value: median - 1, at: "2026-11-16T00:00:00Z" },
  median,
  highest: { value: median + 1, at: "2026-11-17T00:00:00Z" },
  trend_per_day: -0.2,
  trend: "falling",
});

const position = (of: Partial<PositionReport>): PositionReport => ({
  position: "top",
  quantity: "moisture",
  unit: "%",
  low: 65,
  high: 88,
  probes: [],
  this_week: figures(70),
  week_before: figures(72),
  ...of,
});

const thing = (id: string, positions: PositionReport[]): Watched => ({
  kind: "bin",
  id,
  name: id,
  place: "Shed",
  outdoors: false,
  words: "",
  positions,
  food: null,
  heatings: [],
  water: null,
  frost: null,
});

test("without another thing the week before stands beside each position", () => {
  const [row] = rows(thing("alder", [position({})]), null);
  assert.equal(row?.one?.median, 70);
  assert.equal(row?.other?.median, 72);
});

test("another bin's positions stand beside those of the same kind, and its others below", () => {
  const other = thing("birch", [position({ this_week: figures(80) }), position({ position: "base", this_week: figures(75) })]);
  const found = rows(thing("alder", [position({}), position({ quantity: "temperature", unit: "Cel" })]), other);
  assert.deepEqual(
    found.map((r) => [r.position, r.quantity, r.one?.median ?? null, r.other?.median ?? null]),
    [
      ["top", "moisture", 70, 80],
      ["top", "temperature", 70, null],
      ["base", "moisture", null, 75],
    ],
  );
});

test("a thing is found by its kind and id", () => {
  const report = { things: [thing("alder", [])] } as unknown as WeeklyReport;
  assert.equal(thingOf(report, "bin/alder")?.id, "alder");
  assert.equal(thingOf(report, "place/alder"), undefined);
  assert.equal(keyOf({ kind: "place", id: "shed" }), "place/shed");
});

test("the same task of several bins is said once", () => {
  const task = (name: string, words: string) => ({ subject_kind: "bin", subject_id: name, name, priority: "round", by: null, words }) as const;
  const found = together([task("Alder", "Look."), task("Birch", "Look."), task("Alder", "Feed."), task("Birch", "Look.")]);
  assert.deepEqual(
    found.map((t) => [t.names, t.words]),
    [
      [["Alder", "Birch"], "Look."],
      [["Alder"], "Feed."],
    ],
  );
});
