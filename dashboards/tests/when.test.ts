import assert from "node:assert/strict";
import { test } from "node:test";
import { dayOf, fieldToIso, fromField, LAST_DAY, toField } from "../src/when.ts";

test("a time of the farm goes to its field and back, in winter, in summer and around the change", () => {
  // Central European Time is UTC+1, summer time UTC+2 from the last Sunday of March to that of October, at 1:00 UTC (Directive 2000/84/EC).
  assert.equal(toField(Date.parse("2026-01-15T05:10:00Z"), "Europe/Vienna"), "2026-01-15T06:10");
  assert.equal(toField(Date.parse("2026-07-15T22:30:00Z"), "Europe/Vienna"), "2026-07-16T00:30");
  for (const utc of ["2026-01-15T05:10:00Z", "2026-07-15T22:30:00Z", "2026-03-29T00:59:00Z", "2026-03-29T01:00:00Z", "2026-10-25T02:00:00Z"]) {
    assert.equal(new Date(fromField(toField(Date.parse(utc), "Europe/Vienna"), "Europe/Vienna")).toISOString(), new Date(utc).toISOString());
  }
});

test("what is no time is none", () => {
  assert.ok(Number.isNaN(fromField("", "Europe/Vienna")));
});

test("what is typed comes out at the farm's clocks, or as null: never as an error", () => {
  assert.equal(fieldToIso("2026-11-28T00:00", "Europe/Vienna"), "2026-11-27T23:00:00.000Z");
  assert.equal(fieldToIso("2026-11-28T23:59:59.999", "Pacific/Auckland"), "2026-11-28T10:59:59.999Z"); // NZDT, 13 h ahead
  for (const zone of ["Europe/Vienna", "Pacific/Auckland", "America/New_York", "UTC"]) {
    // What a field holds while a year is typed, too: 0002 of 2026.
    assert.match(fieldToIso("0002-11-28T00:00", zone) ?? "", /^0002-11-2[78]T/);
    for (const typed of ["20265-11-28T00:00", "", "T00:00", "275761-01-01T00:00"]) assert.equal(fieldToIso(typed, zone), null);
  }
  assert.equal(fieldToIso(`${LAST_DAY}T23:59`, "America/New_York"), null, "in UTC that is the year 10000");
});

test("a day is that of the farm", () => {
  assert.equal(dayOf(Date.parse("2026-11-25T23:30:00Z"), "Europe/Vienna"), "2026-11-26");
  assert.equal(dayOf(Date.parse("2026-11-25T23:30:00Z"), "America/New_York"), "2026-11-25");
});
