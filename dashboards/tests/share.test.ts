import assert from "node:assert/strict";
import { test } from "node:test";
import { share } from "../src/share.ts";

test("an answer that says the same gives the very same objects", () => {
  const old = { a: [{ id: "x", v: { n: 1 } }], b: null };
  assert.equal(share(old, structuredClone(old)), old);
});

test("only what changed is new, matched by id though the order changed", () => {
  const old = [{ id: "x", v: 1 }, { id: "y", v: 2 }];
  const fresh = share(old, [{ id: "y", v: 2 }, { id: "x", v: 3 }]);
  assert.notEqual(fresh, old);
  assert.equal(fresh[0], old[1]);
  assert.deepEqual(fresh[1], { id: "x", v: 3 });
});

test("a part that went away is not kept", () => {
  const old: Record<string, number> = { a: 1, b: 2 };
  assert.deepEqual(share(old, { a: 1 }), { a: 1 });
  assert.deepEqual(share([1, 2, 3], [1, 2]), [1, 2]);
  assert.deepEqual(share({ a: 1 }, null), null);
});
