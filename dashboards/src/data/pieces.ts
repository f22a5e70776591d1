/** A file of a table as text, in pieces that end at ends of lines. */

export const LOOKED_AT = 250_000;
/** Letters in a piece; the service takes a request of a megabyte. */
const PIECE = 400_000;

export interface Piece {
  lines: string;
  firstLine: number;
  /** Of the file, from 0 to 1, once this piece is through. */
  share: number;
}

/** The encoding that a file's first bytes speak for, by its name in the browser. */
export function encodingOf(start: Uint8Array): string {
  if (start[0] === 0xff && start[1] === 0xfe) return "utf-16le";
  if (start[0] === 0xfe && start[1] === 0xff) return "utf-16be";
  try {
    new TextDecoder("utf-8", { fatal: true }).decode(start, { stream: true });
    return "utf-8";
  } catch {
    return "windows-1252";
  }
}

/** The beginning of a file, whole lines if it has any. */
export async function beginning(file: Blob): Promise<string> {
  const start = new Uint8Array(await file.slice(0, LOOKED_AT).arrayBuffer());
  const text = new TextDecoder(encodingOf(start)).decode(start, { stream: true });
  const end = file.size > LOOKED_AT ? text.lastIndexOf("\n") : -1;
  return end < 0 ? text : text.slice(0, end + 1);
}

/** The lines after the header, piece by piece; `whole`: in one, as cells may go over several lines. */
export async function* pieces(file: Blob, headerLine: number, whole: boolean, size = PIECE): AsyncGenerator<Piece> {
  const start = new Uint8Array(await file.slice(0, LOOKED_AT).arrayBuffer());
  const decoder = new TextDecoder(encodingOf(start));
  const reader = file.stream().getReader();
  let text = "";
  let skip = headerLine;
  let line = 1;
  let read = 0;
  for (;;) {
    const { done, value } = await reader.read();
    read += value?.length ?? 0;
    text += done ? decoder.decode() : decoder.decode(value, { stream: true });
    for (; skip > 0; skip--, line++) {
      const end = text.indexOf("\n");
      if (end < 0) break;
      text = text.slice(end + 1);
    }
    if (done) break;
    while (skip === 0 && !whole && text.length >= size) {
      const end = text.lastIndexOf("\n", size);
      if (end < 0) break;
      const lines = text.slice(0, end + 1);
      yield { lines, firstLine: line, share: Math.min(1, (read - text.length + lines.length) / file.size) };
      line += lines.split("\n").length - 1;
      text = text.slice(end + 1);
    }
  }
  if (skip === 0 && text !== "") yield { lines: text, firstLine: line, share: 1 };
}

/** Cells as a line of CSV. */
export function csvLine(cells: readonly (string | number)[], separator: string): string {
  const quoted = cells.map(String).map((cell) => (/["\r\n]/.test(cell) || cell.includes(separator) ? `"${cell.replaceAll('"', '""')}"` : cell));
  return `${quoted.join(separator)}\r\n`;
}
