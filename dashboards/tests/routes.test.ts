import assert from "node:assert/strict";
import { test } from "node:test";
import { calibrationPath, parsePath, pathOf, twinsPath } from "../src/routes.ts";

test("every page has an address, and any other address is not found", () => {
  assert.deepEqual(parsePath("/"), { page: "bins" });
  assert.deepEqual(parsePath("/bins/alder"), { page: "bin", id: "alder" });
  assert.deepEqual(parsePath("/feed-stores/tub-1/"), { page: "feed-store", id: "tub-1" });
  assert.deepEqual(parsePath("/alarms"), { page: "alarms" });
  assert.deepEqual(parsePath("/probes"), { page: "probes" });
  assert.deepEqual(parsePath(twinsPath("a b/1")), { page: "twins", id: "a b/1" });
  for (const page of ["round", "reports", "settings", "users", "welcome"]) assert.deepEqual(parsePath(`/${page}`), { page });
  assert.deepEqual(parsePath(calibrationPath(12)), { page: "calibration", channel: 12 });
  for (const path of ["/channels/x/calibration", "/channels/1", "/alarms/3", "/nowhere", "/bins/a/b"]) assert.deepEqual(parsePath(path), { page: "not-found" });
});

test("the address of a subject leads to its page, and a broken one does not throw", () => {
  assert.deepEqual(parsePath(pathOf({ kind: "bin", id: "alder" })), { page: "bin", id: "alder" });
  assert.deepEqual(parsePath("/bins/%E0%A4%A"), { page: "bin", id: "%E0%A4%A" });
});
