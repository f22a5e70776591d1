import assert from "node:assert/strict";
import { test } from "node:test";
import { ownKey, ownValue } from "../src/limits.ts";
import type { Limit } from "../src/shapes.ts";

const limit = (origin: string, season: string | null): Limit => ({ name: "temp_low_c", value: 10, unit: "Cel", origin, source: "", season });

test("an own value goes where the bin keeps it: with the months of the value in force, or those chosen", () => {
  assert.equal(ownKey(limit("species", null)), "temp_low_c");
  assert.equal(ownKey(limit("bin", null)), "temp_low_c");
  assert.equal(ownKey(limit("bin", "11-3")), "temp_low_c@11-3");
  assert.equal(ownKey(limit("bin", "11-3"), "12-2"), "temp_low_c@12-2");
  assert.equal(ownKey(limit("place", "11-3")), "temp_low_c", "the months are the place's, not the bin's");
});

test("what was typed loses the digits that conversion makes up", () => {
  assert.equal(ownValue(limit("bin", null), "10.1"), 10.1);
});
