import assert from "node:assert/strict";
import { test } from "node:test";
import * as format from "../src/format.ts";
import { reads, untied } from "./untied.ts";

const HOUR = 3_600_000;
const AT = Date.parse("2026-11-25T06:10:00Z");

test("a reading carries its sign, and temperature one digit more than moisture", () => {
  reads(format.reading(21.43, "temperature", "Cel"), "21.4 °C");
  reads(format.reading(58.4, "moisture", "%"), "58 %");
  reads(format.reading(3.914, "battery", "V"), "3.91 V");
  reads(format.reading(2310, "moisture-raw", "count"), "2310");
});

test("a number that rounds to nought loses its sign, and a negative one has a true minus", () => {
  assert.equal(format.number(-0.04, 1), "0.0");
  assert.equal(format.number(-7.84, 1), "−7.8");
});

test("an age is told in the largest fitting unit", () => {
  const told = [0, 9, 40, 59, 60, 3599, 3600, 47 * 3600, 48 * 3600, 9 * 86_400].map((s) => untied(format.age(AT - s * 1000, AT)));
  assert.deepEqual(told, ["now", "now", "40 s", "59 s", "1 min", "59 min", "1 h", "47 h", "2 d", "9 d"]);
});

test("a reading from a clock that runs ahead is of now, not of a negative age", () => {
  assert.equal(format.age(AT + 5 * HOUR, AT), "now");
});

test("what is to be expected is told as about", () => {
  reads(format.within(9.2), "in about 9 h");
  reads(format.within(0.05), "any moment");
});

test("times are those of the farm's zone, with the day where it is not today", () => {
  // Auckland is 13 h ahead of UTC in November (IANA tzdata: NZDT).
  assert.equal(format.time(AT, AT, "Pacific/Auckland", "en-GB"), "19:10");
  assert.equal(format.time(AT - 20 * HOUR, AT, "Pacific/Auckland", "en-GB"), "Tue 24 Nov, 23:10");
  assert.equal(format.time(AT, AT, "UTC", "en-GB"), "06:10");
});

test("an hour that happens twice when summer time ends reads the same twice", () => {
  // 2026-10-25: clocks in London go back from 02:00 BST to 01:00 GMT.
  const first = Date.parse("2026-10-25T00:30:00Z");
  const second = Date.parse("2026-10-25T01:30:00Z");
  assert.equal(format.time(first, second, "Europe/London", "en-GB"), "01:30");
  assert.equal(format.time(second, second, "Europe/London", "en-GB"), "01:30");
});

test("a value beyond its limit has a word of its own kind", () => {
  assert.equal(format.offLimit("low", "moisture"), "dry");
  assert.equal(format.offLimit("high", "temperature"), "hot");
  assert.equal(format.offLimit("stale", "moisture"), "silent");
  assert.equal(format.offLimit("ok", "moisture"), null);
});

test("a name becomes an id the service takes", () => {
  assert.equal(format.slug("Back Alder 2"), "back-alder-2");
  assert.equal(format.slug("  Äpfel & Öl!  "), "apfel-ol");
  assert.equal(format.slug("–"), "");
  assert.match(format.slug("x".repeat(62) + " tail"), /^[a-z0-9][a-z0-9-]{0,62}$/);
});

test("amounts have the digits of a kitchen scale", () => {
  reads(format.amount(0.254, "kg"), "0.25 kg");
  reads(format.amount(4.82, "l"), "4.8 L");
  reads(format.amount(2, "l"), "2 L");
});

test("words lose the name they start with, and only that", () => {
  assert.equal(format.withoutName("Alder: top too dry", "Alder"), "Top too dry");
  assert.equal(format.withoutName("Pomace tub is frozen", "Pomace tub"), "Pomace tub is frozen");
});

test("a number stays with its unit, in our words and in those of the service", () => {
  assert.equal(format.amount(2, "l"), "2\u00a0L");
  assert.equal(format.inUnits("Pomace tub is frozen: −6.7 °C, in 2 h; 3 in all"), "Pomace tub is frozen: −6.7\u00a0°C, in 2\u00a0h; 3 in all");
});
