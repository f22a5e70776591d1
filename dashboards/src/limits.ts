/** A bin's own limits as they are kept and sent. Pure. */

import { fromShown, limitUnit } from "./format.ts";
import type { Limit } from "./shapes.ts";

/** Where a bin keeps its own value of a limit: with the months it holds for, those chosen or those of the value in force. */
export function ownKey(limit: Limit, season = ""): string {
  const months = season === "" && limit.origin === "bin" ? (limit.season ?? "") : season;
  return months === "" ? limit.name : `${limit.name}@${months}`;
}

/** What was typed in the viewer's unit, in that of the limit. */
export function ownValue(limit: Limit, typed: string): number {
  return Number(fromShown(Number(typed), limitUnit(limit)).toPrecision(10));
}
