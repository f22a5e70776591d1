import assert from "node:assert/strict";
import { test } from "node:test";
import { byNeed, leadingAlarm, needOf, nextTrouble, offWords, type Watched } from "../src/need.ts";
import type { AlarmState, AlarmSummary, Forecast, PositionState, Priority } from "../src/shapes.ts";
import { reads } from "./untied.ts";

function alarm(priority: Priority, state: AlarmState = "unacknowledged", eta_h: number | null = null): AlarmSummary {
  return { id: 1, rule: "top-drying", state, priority, forecast: eta_h !== null, headline: "", advice: "", eta_h, changed: "" };
}

function top(value: number, state: PositionState["state"] = "ok", forecast: Forecast | null = null): PositionState {
  return { position: "top", quantity: "moisture", channel: 1, value, unit: "%", at: "", trend_per_h: null, trend: "steady", state, low: 65, high: 88, forecast };
}

function watched(name: string, positions: PositionState[], ...alarms: AlarmSummary[]): Watched {
  return { name, condition: { at: "", words: "", positions, stored_feed: null }, alarms };
}

test("what needs a person first comes first, and names settle the rest as people count", () => {
  const order = byNeed([
    watched("Bed 10", [top(75)]),
    watched("Bed 2", [top(75)]),
    watched("Silent", [top(75, "stale")]),
    watched("Today late", [top(66)], alarm("today", "unacknowledged", 9)),
    watched("Today soon", [top(66)], alarm("today", "unacknowledged", 2)),
    watched("Seen already", [top(60)], alarm("today", "acknowledged")),
    watched("Urgent", [top(40)], alarm("urgent")),
    watched("Bare", []),
  ]).map((w) => w.name);
  assert.deepEqual(order, ["Urgent", "Today soon", "Today late", "Seen already", "Silent", "Bare", "Bed 2", "Bed 10"]);
});

test("a shelved alarm, one out of service or one that is over does not speak for a bin", () => {
  const quiet = [alarm("urgent", "shelved"), alarm("urgent", "out-of-service"), alarm("urgent", "normal")];
  assert.equal(leadingAlarm(quiet), null);
  assert.equal(needOf(watched("a", [top(75)], ...quiet)), "fine");
});

test("an alarm that returned presses less than any that holds", () => {
  const returned = alarm("urgent", "returned-unacknowledged");
  const holding = alarm("round");
  assert.equal(leadingAlarm([returned, holding]), holding);
  assert.equal(needOf(watched("a", [top(75)], returned)), "info");
});

test("a limit crossed, or about to be, asks for a look before any alarm says so", () => {
  assert.equal(needOf(watched("a", [top(61, "low")])), "look");
  assert.equal(needOf(watched("a", [top(66, "ok", { limit: 65, eta_h: 4, low_h: 3, high_h: 6 })])), "look");
  assert.equal(needOf(watched("a", [top(66, "ok", { limit: 65, eta_h: 40, low_h: 30, high_h: null })])), "fine");
  assert.equal(offWords(watched("a", [top(61, "low")]).condition), "top dry");
});

test("a bin whose moisture nobody knows is not told as fine, and a tub needs none", () => {
  const warm: PositionState = { ...top(20), quantity: "temperature", unit: "Cel" };
  assert.equal(needOf(watched("a", [warm])), "partly");
  assert.equal(needOf(watched("a", [warm, top(75, "stale")])), "partly");
  assert.equal(needOf(watched("a", [warm, { ...top(75), position: "core" }])), "fine");
  assert.equal(needOf(watched("a", [{ ...warm, position: "feed" }])), "fine");
});

test("the next trouble is the soonest, in words", () => {
  const late = top(70, "ok", { limit: 65, eta_h: 30, low_h: 20, high_h: null });
  const soon: PositionState = { ...top(30, "ok", { limit: 35, eta_h: 9.2, low_h: 6, high_h: 12 }), position: "pocket", quantity: "temperature" };
  reads(nextTrouble(watched("a", [late, soon]).condition), "feed pocket too hot in about 9 h");
  assert.equal(nextTrouble(null), null);
});
