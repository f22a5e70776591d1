/** What was ticked today on this device; it stays ticked over reloads, and is forgotten with the day. */

import { useState } from "preact/hooks";

export interface Tick {
  /** The key of the task. */
  task: string;
  /** The key of the log entry. */
  entry: string;
  /** Where and what, for when the reason has gone and the stop with it. */
  words: string;
}

const KEPT_AS = "underlid/round";

/** The ticks of a day; those of another day, or what can't be read, are none. Pure. */
export function ticksOf(kept: string | null, day: string): Tick[] {
  try {
    const said = JSON.parse(kept ?? "null") as { day?: unknown; ticks?: unknown } | null;
    if (said?.day !== day || !Array.isArray(said.ticks)) return [];
    return said.ticks.filter((t: Partial<Tick> | null): t is Tick => typeof t?.task === "string" && typeof t.entry === "string" && typeof t.words === "string");
  } catch {
    return [];
  }
}

export function useTicks(day: string): { ticks: Tick[]; tick: (tick: Tick) => void; untick: (task: string) => void } {
  const [, redraw] = useState(0);
  const ticks = ticksOf(localStorage.getItem(KEPT_AS), day);
  // Read anew before each change: several ticks may be under way.
  const change = (make: (before: Tick[]) => Tick[]): void => {
    localStorage.setItem(KEPT_AS, JSON.stringify({ day, ticks: make(ticksOf(localStorage.getItem(KEPT_AS), day)) }));
    redraw((n) => n + 1);
  };
  return {
    ticks,
    tick: (fresh) => change((before) => [...before.filter((t) => t.task !== fresh.task), fresh]),
    untick: (task) => change((before) => before.filter((t) => t.task !== task)),
  };
}
