/** Bodies of the import, and what they come to when a file goes through piece by piece. */

import * as api from "../api.ts";
import { chance } from "../offline/keys.ts";
import type { Import, Look, LogMap, ReadingsMap } from "../shapes.ts";
import { pieces } from "./pieces.ts";

/** As it stands after so much of the file (0 to 1). */
export interface Progress extends Import {
  share: number;
}

const NOTHING: Import = { rows: 0, new: 0, known: 0, refused: [], readings: [], entries: [] };

/** Sends a file through, telling how far it is; ends early when `isOff` says so. */
export async function send(
  file: Blob,
  look: Look,
  map: ReadingsMap | LogMap,
  dryRun: boolean,
  tell: (progress: Progress) => void,
  isOff: () => boolean,
): Promise<Import> {
  let sum = NOTHING;
  const trial = chance(16);
  for await (const piece of pieces(file, look.header_line, look.what === "log")) {
    if (isOff()) break;
    const body = { map, lines: piece.lines, first_line: piece.firstLine, dry_run: dryRun };
    const part = await (look.what === "log" ? api.importLog(body) : api.importReadings({ ...body, trial }));
    sum = {
      rows: sum.rows + part.rows,
      new: sum.new + part.new,
      known: sum.known + part.known,
      refused: [...sum.refused, ...part.refused],
      readings: sum.readings.length > 0 ? sum.readings : part.readings,
      entries: sum.entries.length > 0 ? sum.entries : part.entries,
    };
    tell({ ...sum, share: piece.share });
  }
  return sum;
}

/** What is still missing of a map, in the words of the service's questions. */
export function missing(look: Look, map: ReadingsMap | LogMap, isOrderTold: boolean): string[] {
  const open: string[] = [];
  if (look.questions.includes("order") && !isOrderTold) open.push("order");
  if ("subject" in map) {
    if (map.subject === "") open.push("subject");
    if (map.kind === "") open.push("kind");
    return open;
  }
  if (map.value === null ? map.columns.some((c) => c.probe === "") : map.probe === "") open.push("probe");
  if (map.value === null ? map.columns.some((c) => c.channel === "") : map.channel === "") open.push("channel");
  if (map.columns.some((c) => c.unit === "")) open.push("unit");
  if (map.value === null && map.columns.length === 0) open.push("columns");
  return open;
}
