/** Which bin or feed store needs a person first. Pure. */

import { crossing, offLimit } from "./format.ts";
import type { AlarmState, AlarmSummary, Condition, PositionState, Priority } from "./shapes.ts";
import { text } from "./text/text.ts";

/** What the badge of a card says. */
export type Need = Priority | "look" | "silent" | "unwatched" | "partly" | "fine";

export interface Watched {
  name: string;
  condition: Condition | null;
  alarms: AlarmSummary[];
}

const PRIORITY_ORDER: readonly Priority[] = ["urgent", "today", "round", "info"];
const NEED_ORDER: readonly Need[] = ["urgent", "today", "look", "round", "silent", "info", "partly", "unwatched", "fine"];
/** A limit to be crossed this soon is worth a look before any alarm has stood long enough to be said. */
const LOOK_WITHIN_H = 12;
const STANDING: readonly AlarmState[] = ["unacknowledged", "acknowledged", "returned-unacknowledged"];

/** The alarm a card speaks of: the most pressing one that stands; new before acknowledged, soonest first. */
export function leadingAlarm(alarms: readonly AlarmSummary[]): AlarmSummary | null {
  const standing = alarms.filter((alarm) => STANDING.includes(alarm.state));
  return standing.sort(
    (a, b) =>
      rank(a) - rank(b) ||
      STANDING.indexOf(a.state) - STANDING.indexOf(b.state) ||
      (a.eta_h ?? 0) - (b.eta_h ?? 0),
  )[0] ?? null;
}

/** What is over already, and only waits to be acknowledged, presses less than anything that still holds. */
function rank(alarm: AlarmSummary): number {
  return alarm.state === "returned-unacknowledged" ? PRIORITY_ORDER.length : PRIORITY_ORDER.indexOf(alarm.priority);
}

export function needOf(watched: Watched): Need {
  const alarm = leadingAlarm(watched.alarms);
  if (alarm !== null) return alarm.state === "returned-unacknowledged" ? "info" : alarm.priority;
  const positions = watched.condition?.positions ?? [];
  if (positions.length === 0) return "unwatched";
  if (positions.every((p) => p.state === "stale")) return "silent";
  const off = (p: PositionState): boolean => p.state === "low" || p.state === "high" || (p.forecast?.eta_h ?? Infinity) <= LOOK_WITHIN_H;
  if (positions.some(off)) return "look";
  return isMoistureKnown(positions) ? "fine" : "partly";
}

/** Of a bin whose moisture nobody measures, or no probe tells any more, nobody can say that all is well. */
function isMoistureKnown(positions: readonly PositionState[]): boolean {
  const inBedding = positions.filter((p) => p.position !== "feed" && p.position !== "air");
  return inBedding.length === 0 || inBedding.some((p) => p.quantity === "moisture" && p.state !== "stale");
}

/** Of these nobody knows enough to say that they can stay shut. */
export function isUnknown(need: Need): boolean {
  return need === "unwatched" || need === "partly";
}

export function needsPerson(need: Need): boolean {
  return need === "urgent" || need === "today" || need === "look" || need === "round" || need === "silent";
}

/** The soonest crossing of a limit among the positions, in words, or null. */
export function nextTrouble(condition: Condition | null): string | null {
  let soonest: { etaH: number; words: string } | null = null;
  for (const p of condition?.positions ?? []) {
    if (p.forecast === null || (soonest !== null && soonest.etaH <= p.forecast.eta_h)) continue;
    soonest = {
      etaH: p.forecast.eta_h,
      words: crossing(p.position, p.quantity, p.forecast.limit < p.value, p.forecast.eta_h),
    };
  }
  return soonest?.words ?? null;
}

/** The values beyond their limits in words, or null: "base dry". */
export function offWords(condition: Condition | null): string | null {
  const off = (condition?.positions ?? []).flatMap((p) => {
    const word = p.state === "stale" ? null : offLimit(p.state, p.quantity);
    return word === null ? [] : [`${text.position[p.position]} ${word}`];
  });
  return off.length === 0 ? null : off.join(", ");
}

/** Sorted by what needs a person first: by need, by the time left, by name. */
export function byNeed<Item extends Watched>(items: readonly Item[]): Item[] {
  const keyed = items.map((item) => {
    const alarm = leadingAlarm(item.alarms);
    const forecasts = item.condition?.positions.map((p) => p.forecast?.eta_h ?? Infinity) ?? [];
    const etaH = alarm === null ? Math.min(Infinity, ...forecasts) : (alarm.eta_h ?? 0);
    return { item, need: NEED_ORDER.indexOf(needOf(item)), fresh: alarm?.state === "unacknowledged" ? 0 : 1, etaH };
  });
  keyed.sort(
    (a, b) =>
      a.need - b.need ||
      a.fresh - b.fresh ||
      compare(a.etaH, b.etaH) ||
      a.item.name.localeCompare(b.item.name, undefined, { numeric: true }),
  );
  return keyed.map((k) => k.item);
}

function compare(a: number, b: number): number {
  return a === b ? 0 : a < b ? -1 : 1;
}
