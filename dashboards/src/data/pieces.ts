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

/** Old files and some spreadsheets end their lines with CR alone. */
const END = /\r\n|\r|\n/;

/** How many of the first `size` letters, or one more, are whole lines; 0: none. */
function wholeLines(text: string, size: number): number {
  const last = Math.max(text.lastIndexOf("\n", size - 1), text.lastIndexOf("\r", size - 1));
  return text.startsWith("\r\n", last) ? last + 2 : last + 1;
}

/** The beginning of a file, whole lines if it has any. */
export async function beginning(file: Blob): Promise<string> {
  const start = new Uint8Array(await file.slice(0, LOOKED_AT).arrayBuffer());
  const text = new TextDecoder(encodingOf(start)).decode(start, { stream: true });
  return file.size > LOOKED_AT ? text.slice(0, wholeLines(text, text.length) || text.length) : text;
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
      const end = END.exec(text);
      // Of CR LF the second may be still to come.
      if (end === null || (!done && end[0] === "\r" && end.index === text.length - 1)) break;
      text = text.slice(end.index + end[0].length);
    }
    if (done) break;
    while (skip === 0 && !whole && text.length > size) {
      const end = wholeLines(text, size);
      if (end === 0) break;
      const lines = text.slice(0, end);
      yield { lines, firstLine: line, share: Math.min(1, (read - text.length + lines.length) / file.size) };
      line += lines.split(END).length - 1;
      text = text.slice(end);
    }
  }
  if (skip === 0 && text !== "") yield { lines: text, firstLine: line, share: 1 };
}

/** Cells as a line of CSV. */
export function csvLine(cells: readonly (string | number)[], separator: string): string {
  const quoted = cells.map(String).map((cell) => (/["\r\n]/.test(cell) || cell.includes(separator) ? `"${cell.replaceAll('"', '""')}"` : cell));
  return `${quoted.join(separator)}\r\n`;
}
