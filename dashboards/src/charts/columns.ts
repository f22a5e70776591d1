/** From the service's answers to the columns, ranges and ticks of a chart. Pure. */

import type { Readings } from "../shapes.ts";

/** One column: a number; null for silence, which breaks the line; undefined where another channel spoke. */
export type Column = (number | null | undefined)[];

export interface Columns {
  /** Milliseconds since 1970, ascending, each once. */
  time: number[];
  /** Per channel, in the order given. */
  lines: { low: Column; mean: Column; high: Column }[];
}

/** A probe was silent where it left out more than this many of the spacings usual there. */
const SILENCE_SPACINGS = 3.5;
/** What is usual is told by so many spacings before a gap, and as many after it. */
const AROUND = 5;
/** Fewer than these make no rhythm. */
const LEAST_AROUND = 3;

/** Puts the readings of channels that each keep their own times on one ascending column of times; `bucketMs`: the width of the buckets they were thinned to. */
export function columns(series: readonly Pick<Readings, "time" | "low" | "mean" | "high">[], bucketMs: number): Columns {
  const parsed = series.map((readings) => readings.time.map((t) => Date.parse(t)));
  const silences = parsed.map((times) => silencesOf(times, bucketMs));
  const time = [...new Set([...parsed, ...silences].flat())].sort((a, b) => a - b);
  const row = new Map(time.map((t, i) => [t, i]));
  const lines = series.map((readings, k) => {
    const fill = (values: readonly number[]): Column => {
      const column: Column = new Array<undefined>(time.length).fill(undefined);
      for (const t of silences[k] ?? []) column[row.get(t) ?? 0] = null;
      parsed[k]?.forEach((t, i) => (column[row.get(t) ?? 0] = values[i] ?? null));
      return column;
    };
    return { low: fill(readings.low), mean: fill(readings.mean), high: fill(readings.high) };
  });
  return { time, lines };
}

/** The middle of each gap that is much longer than the spacings around it: a probe may change its rhythm. */
function silencesOf(times: readonly number[], bucketMs: number): number[] {
  const gaps = times.slice(1).map((t, i) => t - (times[i] ?? t));
  return gaps.flatMap((gap, i) => (gap > SILENCE_SPACINGS * Math.max(usual(gaps, i), bucketMs) ? [(times[i] ?? 0) + gap / 2] : []));
}

/** The usual spacing at gap `i`: of the rhythms before and after it the slower, for there it may have changed. */
function usual(gaps: readonly number[], i: number): number {
  const [before, after] = [gaps.slice(Math.max(0, i - AROUND), i), gaps.slice(i + 1, i + 1 + AROUND)];
  const rhythms = [before, after].filter((side) => side.length >= LEAST_AROUND);
  if (rhythms.length === 0) return median([...before, ...after, gaps[i] ?? 0]);
  return Math.max(...rhythms.map(median));
}

function median(values: readonly number[]): number {
  return [...values].sort((a, b) => a - b)[Math.floor((values.length - 1) / 2)] ?? 0;
}

/** The row nearest to `row` in which the column has a number, or null. */
export function nearestFilled(column: ArrayLike<number | null | undefined>, row: number): number | null {
  for (let step = 0; step < column.length; step++) {
    if (typeof column[row - step] === "number") return row - step;
    if (typeof column[row + step] === "number") return row + step;
  }
  return null;
}

export interface Range {
  low: number;
  high: number;
}

/** What a lane shows: the values with some room, and the limits that are not far off. */
export function laneRange(lines: readonly Column[], limits: readonly number[], leastSpan: number): Range {
  let low = Infinity;
  let high = -Infinity;
  for (const line of lines) {
    for (const value of line) {
      if (typeof value !== "number") continue;
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
  }
  if (low > high) return { low: 0, high: leastSpan };
  const reach = Math.max(high - low, leastSpan);
  const [dataLow, dataHigh] = [low, high];
  for (const limit of limits) {
    if (limit < dataLow - reach || limit > dataHigh + reach) continue;
    low = Math.min(low, limit);
    high = Math.max(high, limit);
  }
  const lack = Math.max(0, leastSpan - (high - low));
  // A limit at the edge needs room for its shade and its words.
  const room = (edge: boolean): number => (high - low + lack) * (edge ? 0.16 : 0.06);
  return { low: low - lack / 2 - room(low < dataLow), high: high + lack / 2 + room(high > dataHigh) };
}

const LANE_GAP = 0.07;

/** The scale that draws `range` in lane `lane` of `lanes` stacked lanes, counted from the top. */
export function laneScale(range: Range, lane: number, lanes: number): Range {
  const height = (1 - LANE_GAP * (lanes - 1)) / lanes;
  const whole = (range.high - range.low) / height;
  const high = range.high + lane * (height + LANE_GAP) * whole;
  return { low: high - whole, high };
}

/** Round values inside a range, at most about `most` of them. */
export function ticks(range: Range, most: number): number[] {
  const rough = (range.high - range.low) / Math.max(1, most);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough) ?? power * 10;
  const found: number[] = [];
  for (let i = Math.ceil(range.low / step); i * step <= range.high; i++) found.push(Number((i * step).toPrecision(10)));
  return found;
}

/** At most `most` rows, evenly picked, for the table view; a row with a number in it before one without. */
export function tableRows(time: readonly number[], lines: readonly Column[], most: number): number[] {
  const filled = time.flatMap((_, i) => (lines.some((line) => typeof line[i] === "number") ? [i] : []));
  if (filled.length <= most) return filled;
  return Array.from({ length: most }, (_, k) => filled[Math.round((k * (filled.length - 1)) / (most - 1))] ?? 0);
}

export interface Mark {
  at: number;
  key: string;
}

/** Marks that would lie on each other at this width, gathered. Each group is in time order. */
export function gathered<M extends Mark>(marks: readonly M[], range: { from: number; to: number }, widthPx: number, apartPx: number): M[][] {
  const groups: M[][] = [];
  let start = -Infinity;
  const inside = marks.filter((m) => m.at >= range.from && m.at <= range.to).sort((a, b) => a.at - b.at);
  for (const mark of inside) {
    const x = ((mark.at - range.from) / (range.to - range.from)) * widthPx;
    if (x - start < apartPx) groups.at(-1)?.push(mark);
    else {
      groups.push([mark]);
      start = x;
    }
  }
  return groups;
}
