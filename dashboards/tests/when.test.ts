import assert from "node:assert/strict";
import { test } from "node:test";
import { fromField, toField } from "../src/when.ts";

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
