import assert from "node:assert/strict";
import { test } from "node:test";
import { complete, type DraftPoint, parseDraft, readOff, uncalibrated } from "../src/calibration/points.ts";
import type { Channel, Probe } from "../src/shapes.ts";

const OVEN: DraftPoint = { raw: 1500, temp_c: 18, at: "2026-11-25T06:10:00Z", how: "oven", tare_g: 40, before_g: 140, after_g: null };

test("a point waits for the dry mass of its sample, and is complete with it", () => {
  assert.equal(complete(OVEN), null);
  assert.deepEqual(complete({ ...OVEN, after_g: 60 }), { raw: 1500, temp_c: 18, oven: { before_g: 140, after_g: 60, tare_g: 40 } });
  assert.deepEqual(complete({ raw: 3000, temp_c: null, at: "", how: "given", pct_wb: 20 }), { raw: 3000, pct_wb: 20 });
});

test("points kept on the device come back, and what can't be read is no point", () => {
  assert.deepEqual(parseDraft(JSON.stringify([OVEN])), [OVEN]);
  assert.deepEqual(parseDraft(JSON.stringify([OVEN, { raw: "x" }, null, 3])), [OVEN]);
  for (const broken of [null, "{", '"points"', "3"]) assert.deepEqual(parseDraft(broken), []);
});

test("a curve is read between its points only, whichever way it runs", () => {
  const curve = { raw: [1000, 2000, 3000], pct_wb: [90, 60, 20] };
  assert.equal(readOff(curve, 1500), 75);
  assert.equal(readOff(curve, 3000), 20);
  assert.equal(readOff(curve, 3001), null);
});

test("a raw channel in a bin is bare until it is calibrated, whatever else its probe says under that name", () => {
  const placement = { subject: { kind: "bin", id: "alder" }, position: "top", since: "" } as const;
  const raw: Channel = { id: 1, name: "moist", quantity: "moisture-raw", unit: "count", latest: null, twin: null, placement, calibrated: false };
  const moist: Channel = { ...raw, id: 2, quantity: "moisture", unit: "%" };
  const probe: Probe = { id: "a", name: "a", first_seen: "", last_seen: null, online: null, retired: null, speaks_retired: false, suggestion: null, health: null, channels: [raw, moist] };
  assert.deepEqual(uncalibrated([probe]).get("alder"), [raw]);
  assert.equal(uncalibrated([{ ...probe, channels: [{ ...raw, calibrated: true }, moist] }]).size, 0);
  assert.equal(uncalibrated([{ ...probe, channels: [{ ...raw, placement: null }] }]).size, 0);
});
