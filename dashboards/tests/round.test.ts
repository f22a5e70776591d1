import assert from "node:assert/strict";
import { test } from "node:test";
import { answered, cornerAfter, load, roundOf } from "../src/round/round.ts";
import { ticksOf } from "../src/round/ticks.ts";
import type { Alarm, AlarmSummary, BinSummary, LogEntry } from "../src/shapes.ts";

const CORNERS = [["back left", "back right", "front left", "front right"]];

function alarmOf(id: number, rule: string, amounts: Record<string, number>, change: Partial<Alarm> = {}): Alarm {
  return {
    id, rule, state: "unacknowledged", priority: "today", forecast: false, headline: `${rule} here`, advice: "Do it.", eta_h: null,
    changed: "", subject: { kind: "bin", id: "alder" }, subject_name: "Alder", position: null, value: null, limit: null, unit: "",
    eta_low_h: null, eta_high_h: null, caution: "", amounts, raised: "2026-11-25T06:10:00Z", since: null, shelved_until: null, reason: "", was_false: false,
    evidence: [], ...change,
  };
}

function binOf(id: string, alarms: AlarmSummary[]): BinSummary {
  return { id, name: id, place_id: "shed", species: "", condition: null, alarms };
}

test("the stop with an alarm comes first, with what the alarm asks for as tasks", () => {
  const alarms = [alarmOf(1, "top-drying", { water_l: 3.61, goes: 4 }), alarmOf(2, "feed-heating", { remove_kg: 3 })];
  const { first, rest } = roundOf([binOf("birch", []), binOf("alder", alarms)], [], alarms, [], CORNERS);
  assert.deepEqual(first.map((s) => s.name), ["alder"]);
  assert.deepEqual(rest.map((s) => s.name), ["birch"]);
  assert.deepEqual(first[0]?.tasks.map((t) => [t.kind, t.entry.amount_l]), [["wetted", 3.6], ["turned", undefined]]);
  assert.deepEqual(rest[0]?.tasks.map((t) => t.kind), ["lid"]);
});

test("two alarms that ask for turning ask for one, and a shelved one asks for nothing", () => {
  const turning = [alarmOf(1, "top-drying", {}), alarmOf(2, "feed-heating", {})];
  assert.deepEqual(roundOf([binOf("alder", turning)], [], turning, [], CORNERS).first[0]?.tasks.map((t) => t.kind), ["turned"]);
  const shelved = [alarmOf(1, "top-drying", { water_l: 2 }, { state: "shelved" })];
  assert.deepEqual(roundOf([binOf("alder", shelved)], [], shelved, [], CORNERS).rest[0]?.tasks.map((t) => t.kind), ["lid"]);
});

test("what is carried along is what is not done yet", () => {
  const alarms = [alarmOf(1, "top-drying", { water_l: 3 }), alarmOf(2, "too-wet", { bedding_kg: 1.2 })];
  const { first } = roundOf([binOf("alder", alarms)], [], alarms, [], CORNERS);
  assert.deepEqual(load(first, () => false), { l: 3, bedding_kg: 1.2 });
  assert.deepEqual(load(first, (task) => task.kind === "wetted"), { l: 0, bedding_kg: 1.2 });
});

test("the next corner goes around the bin from the one fed last", () => {
  assert.deepEqual(["back left", "back right", "front right", "front left"].map((c) => cornerAfter(c, CORNERS)), [1, 3, 2, 0]);
  assert.equal(cornerAfter("the middle", CORNERS), null);
  const entry: LogEntry = {
    id: 1, at: "", subject: { kind: "bin", id: "alder" }, kind: "fed", amount_kg: 1, amount_l: null, what: "", corner: "back left", note: "", key: null, corrected: null, deleted: null, photos: [],
  };
  assert.equal(roundOf([binOf("alder", [])], [], [], [entry], CORNERS).rest[0]?.nextCorner, 1);
});

test("ticks are of their day, and what can't be read is no tick", () => {
  const tick = { task: "1/wetted", entry: "ab-1", words: "Alder: Wet: 3 L" };
  const kept = JSON.stringify({ day: "25 November", ticks: [tick, { task: 3 }, null] });
  assert.deepEqual(ticksOf(kept, "25 November"), [tick]);
  assert.deepEqual(ticksOf(kept, "26 November"), []);
  for (const broken of [null, "{", "[]", "3"]) assert.deepEqual(ticksOf(broken, "25 November"), []);
});

test("an alarm is answered by what was noted against it since it was raised, and stays so until the probe speaks", () => {
  const entry = (at: string, kind: LogEntry["kind"], id = "alder"): LogEntry => ({
    id: 1, at, subject: { kind: "bin", id }, kind, amount_kg: null, amount_l: 2, what: "", corner: "", note: "", key: null, corrected: null, deleted: null, photos: [],
  });
  const alarm = alarmOf(1, "top-drying", { water_l: 2 }, { evidence: [{ channel: 1, at: "2026-11-25T07:00:00Z", value: 60 }] });
  assert.equal(answered(alarm, [entry("2026-11-25T05:00:00Z", "wetted")]), null, "that was before it");
  assert.equal(answered(alarm, [entry("2026-11-25T07:30:00Z", "wetted", "birch")]), null, "that was another bin");
  assert.equal(answered(alarm, [entry("2026-11-25T07:30:00Z", "fed")]), null, "that is no answer to drying");
  assert.equal(answered(alarm, [entry("2026-11-25T07:30:00Z", "wetted")])?.spoken, false);
  assert.equal(answered(alarm, [entry("2026-11-25T06:30:00Z", "wetted")])?.spoken, true);
});
