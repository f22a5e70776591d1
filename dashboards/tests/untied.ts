import assert from "node:assert/strict";

/** Words with plain spaces in place of those that keep a number with its unit. */
export function untied<Said>(words: Said): Said | string {
  return typeof words === "string" ? words.replaceAll("\u00a0", " ") : words;
}

/** Whether words read as expected, whichever their spaces. */
export function reads(actual: unknown, expected: unknown): void {
  assert.equal(untied(actual), expected);
}
