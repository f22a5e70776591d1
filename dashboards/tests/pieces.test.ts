import assert from "node:assert/strict";
import { test } from "node:test";
import { beginning, csvLine, encodingOf, type Piece, pieces } from "../src/data/pieces.ts";

async function all(file: Blob, headerLine: number, whole = false, size = 30): Promise<Piece[]> {
  const found: Piece[] = [];
  for await (const piece of pieces(file, headerLine, whole, size)) found.push(piece);
  return found;
}

const rows = Array.from({ length: 40 }, (_, n) => `2026-01-05 10:${n},${n}\r\n`);

test("pieces end at ends of lines, know their first line, and are the whole file after its header", async () => {
  const found = await all(new Blob(["\ufefftime,temp\r\n", ...rows]), 1);
  assert.ok(found.length > 10);
  assert.equal(found.map((p) => p.lines).join(""), rows.join(""));
  for (const piece of found) assert.ok(piece.lines.startsWith(rows[piece.firstLine - 2]!));
  assert.equal(found.at(-1)?.share, 1);
});

test("a table without a last end of line, without rows, or in one piece is taken as it is", async () => {
  assert.deepEqual(await all(new Blob(["a\nb"]), 1), [{ lines: "b", firstLine: 2, share: 1 }]);
  assert.deepEqual(await all(new Blob(["a\n"]), 1), []);
  assert.equal((await all(new Blob(["a\n", ...rows]), 1, true)).length, 1);
  assert.equal(await beginning(new Blob(["a\nb"])), "a\nb");
});

test("lines end with LF, CR LF or CR alone, and each way counts the same", async () => {
  const plain = rows.map((row) => row.trimEnd());
  for (const end of ["\n", "\r\n", "\r"]) {
    const lines = plain.map((row) => row + end);
    // In chunks of a letter each, so that a CR comes before its LF.
    const letters = [...["a,b", ...plain].join(end), ...end];
    const file = new Blob(letters);
    file.stream = () =>
      new ReadableStream<Uint8Array<ArrayBuffer>>({
        start(stream) {
          for (const letter of letters) stream.enqueue(new TextEncoder().encode(letter));
          stream.close();
        },
      });
    const found = await all(file, 1);
    assert.ok(found.length > 10);
    assert.equal(found.map((p) => p.lines).join(""), lines.join(""));
    for (const piece of found) assert.equal(piece.lines.split(/\r\n|\r|\n/)[0], plain[piece.firstLine - 2]);
  }
  const long = `a,b\r${"1,2\r".repeat(100_000)}`;
  const start = await beginning(new Blob([long]));
  assert.ok(start.length < long.length && start.endsWith("\r"));
});

test("encodings are told by their marks, and by what can't be UTF-8", () => {
  assert.equal(encodingOf(new Uint8Array([0xff, 0xfe, 0x41, 0])), "utf-16le");
  assert.equal(encodingOf(new TextEncoder().encode("Wärme")), "utf-8");
  assert.equal(encodingOf(new TextEncoder().encode("Wärme").slice(0, 2)), "utf-8"); // cut within a letter
  assert.equal(encodingOf(new Uint8Array([0x57, 0xe4, 0x72])), "windows-1252");
});

test("cells with a separator, a quote or an end of line are quoted (RFC 4180)", () => {
  assert.equal(csvLine(["a;b", 'c"d', "e\nf", 3], ";"), '"a;b";"c""d";"e\nf";3\r\n');
});
