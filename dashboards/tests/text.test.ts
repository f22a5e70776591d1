import assert from "node:assert/strict";
import { test } from "node:test";
import { CATALOGUES } from "../src/text/text.ts";

/** Every place in a catalogue with the kind of thing that stands there; a function with its number of arguments. */
function places(value: unknown, path = ""): string[] {
  if (typeof value === "function") return [`${path}(${value.length})`];
  if (typeof value !== "object" || value === null) return [path];
  return Object.entries(value).flatMap(([key, item]) => places(item, `${path}/${key}`));
}

function strings(value: unknown): string[] {
  if (typeof value === "string") return [value];
  return typeof value === "object" && value !== null ? Object.values(value).flatMap(strings) : [];
}

test("both catalogues have the same keys, and their functions take as many words", () => {
  assert.ok(places(CATALOGUES.en).length > 300);
  assert.deepEqual(places(CATALOGUES.de).sort(), places(CATALOGUES.en).sort());
});

test("no text is empty, and hardly any is the same in both languages", () => {
  const [english, german] = [strings(CATALOGUES.en), strings(CATALOGUES.de)];
  assert.ok([...english, ...german].every((words) => words.trim() !== ""));
  const same = english.filter((words) => words.length > 12 && german.includes(words));
  assert.deepEqual(same, []);
});
