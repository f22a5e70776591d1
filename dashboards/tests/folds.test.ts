import assert from "node:assert/strict";
import { globSync, readFileSync } from "node:fs";
import { test } from "node:test";

const SOURCES = new URL("../src/", import.meta.url).pathname;

test("every fold shows by its mark that it opens", () => {
  const folds = globSync("**/*.tsx", { cwd: SOURCES }).flatMap((file) =>
    [...readFileSync(SOURCES + file, "utf8").matchAll(/<summary[^>]*>.*?<\/summary>/gs)].map((found) => `${file}: ${found[0]}`),
  );
  assert.ok(folds.length > 5);
  assert.deepEqual(
    folds.filter((fold) => !fold.includes('<Icon name="down" />')),
    [],
  );
});
