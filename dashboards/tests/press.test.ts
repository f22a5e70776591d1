import assert from "node:assert/strict";
import { test } from "node:test";
import { MOMENT_MS, Place } from "../src/press.ts";

const ACKNOWLEDGE = { part: "first button", says: "Acknowledge" };
const LOG_IT = { part: "second button", says: "Log it done" };
const NOTHING = { part: null, says: "" };

test("what was there when it was pressed can be pressed again at once", () => {
  const place = new Place(ACKNOWLEDGE);
  assert.equal(place.look({ ...ACKNOWLEDGE }, 0), false);
  assert.equal(place.isFresh(0), false);
});

test("what comes to the place of a press takes none for a moment, however late it comes", () => {
  const place = new Place(ACKNOWLEDGE);
  assert.equal(place.look(LOG_IT, 5000), true);
  assert.equal(place.isFresh(5000 + MOMENT_MS - 1), true);
  assert.equal(place.look(LOG_IT, 5600), false);
  assert.equal(place.isFresh(5000 + MOMENT_MS), false);
});

test("the moment begins anew with each thing that comes, also after a gap", () => {
  const place = new Place(ACKNOWLEDGE);
  place.look(NOTHING, 100);
  place.look(LOG_IT, 600);
  assert.equal(place.isFresh(600 + MOMENT_MS - 1), true);
});

test("a button that stays and says something else is another", () => {
  const place = new Place({ part: "button", says: "It was false" });
  place.look({ part: "button", says: "It was right after all" }, 100);
  assert.equal(place.isFresh(100), true);
});
