/** Own limits of a bin, a place or the farm as they are kept and sent. Pure. */

import { fromShown, limitUnit } from "./format.ts";
import type { Limit } from "./shapes.ts";

/** Whose own limits they are. */
export type Level = "bin" | "place" | "farm";

/** Where an own value of a limit is kept: with the months it holds for, those chosen or those of the value in force. */
export function ownKey(limit: Limit, season = "", level: Level = "bin"): string {
  const months = season === "" && limit.origin === level ? (limit.season ?? "") : season;
  return months === "" ? limit.name : `${limit.name}@${months}`;
}

/** What was typed in the viewer's unit, in that of the limit. */
export function ownValue(limit: Limit, typed: string): number {
  return Number(fromShown(Number(typed), limitUnit(limit)).toPrecision(10));
}
