/** Two reports, or two things of one, laid side by side. Pure. */

import type { Figures, PositionReport, Position, Quantity, Watched, WeeklyReport } from "./shapes.ts";

export interface Row {
  position: Position;
  quantity: Quantity;
  unit: string;
  one: Figures | null;
  other: Figures | null;
}

/** Every position of a thing with its figures, and beside it those of another thing, or of the week before. */
export function rows(thing: Watched, beside: Watched | null): Row[] {
  const found: Row[] = thing.positions.map((p) => ({
    position: p.position,
    quantity: p.quantity,
    unit: p.unit,
    one: p.this_week,
    other: beside === null ? p.week_before : (fitting(beside, p)?.this_week ?? null),
  }));
  const more = (beside?.positions ?? []).filter((p) => fitting(thing, p) === undefined);
  return [...found, ...more.map((p) => ({ position: p.position, quantity: p.quantity, unit: p.unit, one: null, other: p.this_week }))];
}

function fitting(thing: Watched, like: PositionReport): PositionReport | undefined {
  return thing.positions.find((p) => p.position === like.position && p.quantity === like.quantity);
}

/** The thing of a report with this kind and id, as 'bin/alder'. */
export function thingOf(report: WeeklyReport, key: string): Watched | undefined {
  return report.things.find((t) => keyOf(t) === key);
}

export function keyOf(thing: { kind: string; id: string }): string {
  return `${thing.kind}/${thing.id}`;
}

/** What is to be done, each thing once with the names of all that ask for it. */
export function together(tasks: WeeklyReport["tasks"]): { names: string[]; words: string; by: string | null }[] {
  const found = new Map<string, { names: string[]; words: string; by: string | null }>();
  for (const task of tasks) {
    const key = `${task.words}|${task.by ?? ""}`;
    const same = found.get(key);
    if (same === undefined) found.set(key, { names: [task.name], words: task.words, by: task.by });
    else if (!same.names.includes(task.name)) same.names.push(task.name);
  }
  return [...found.values()];
}
