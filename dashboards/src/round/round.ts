/** The round for today: which lids first and why, what to do there and how much, what to look for. Pure. */

import { leadingAlarm, byNeed, type Need, needOf, needsPerson, nextTrouble, offWords } from "../need.ts";
import type { AlarmSummary, Alarm, BinSummary, FeedStore, LogEntry, LogKind, NewLogEntry, Subject } from "../shapes.ts";

/** What is done at a stop; ticking it writes `entry` to the log. */
export interface Task {
  /** The same for as long as the reason stands. */
  key: string;
  kind: LogKind;
  entry: NewLogEntry;
}

export interface Stop {
  subject: Subject;
  name: string;
  placeId: string;
  need: Need;
  /** In the service's words, or what a glance at the values tells. */
  why: string[];
  advice: { text: string; caution: string }[];
  rules: string[];
  tasks: Task[];
  lastFed: LogEntry | null;
  /** Index of the corner that is next, or null where none was noted. */
  nextCorner: number | null;
}

/** Around the bin: back left, back right, front right, front left. */
const RING = [0, 1, 3, 2];
const STANDING = ["unacknowledged", "acknowledged"];

/** All stops, those that need a person first. `corners` are the words of the log for the corners, in their turn. */
export function roundOf(
  bins: readonly BinSummary[],
  stores: readonly FeedStore[],
  alarms: readonly Alarm[],
  fed: readonly LogEntry[],
  corners: readonly (readonly string[])[],
): { first: Stop[]; rest: Stop[]; probes: Alarm[] } {
  const detail = new Map(alarms.map((alarm) => [alarm.id, alarm]));
  const stops = byNeed<BinSummary | FeedStore>([...bins, ...stores]).map((watched) => {
    const kind = "species" in watched ? "bin" : "feed-store";
    return stopOf({ kind, id: watched.id }, watched, detail, fed, corners);
  });
  return {
    first: stops.filter((stop) => needsPerson(stop.need)),
    rest: stops.filter((stop) => !needsPerson(stop.need)),
    probes: alarms.filter((alarm) => alarm.subject.kind === "probe" && STANDING.includes(alarm.state)),
  };
}

function stopOf(
  subject: Subject,
  watched: BinSummary | FeedStore,
  detail: ReadonlyMap<number, Alarm>,
  fed: readonly LogEntry[],
  corners: readonly (readonly string[])[],
): Stop {
  const leading = leadingAlarm(watched.alarms);
  const standing = watched.alarms
    .filter((alarm) => STANDING.includes(alarm.state))
    .sort((a, b) => Number(b.id === leading?.id) - Number(a.id === leading?.id));
  const seen = [nextTrouble(watched.condition), offWords(watched.condition)].filter((words) => words !== null);
  const tasks = standing.flatMap((alarm) => tasksOf(subject, alarm, detail.get(alarm.id)));
  const lastFed = subject.kind === "bin" ? (fed.find((entry) => entry.subject.kind === "bin" && entry.subject.id === subject.id) ?? null) : null;
  return {
    subject,
    name: watched.name,
    placeId: watched.place_id,
    need: needOf(watched),
    why: standing.length > 0 ? standing.map((alarm) => alarm.headline) : seen.length > 0 ? [seen[0] ?? ""] : [],
    advice: standing.map((alarm) => ({ text: alarm.advice, caution: detail.get(alarm.id)?.caution ?? "" })),
    rules: standing.map((alarm) => alarm.rule),
    tasks: once(tasks.length > 0 ? tasks : [lookIn(subject)]),
    lastFed,
    nextCorner: lastFed === null ? null : cornerAfter(lastFed.corner, corners),
  };
}

/** What an alarm asks for, as deeds that the log knows. */
export function tasksOf(subject: Subject, alarm: AlarmSummary, detail: Alarm | undefined): Task[] {
  const amounts = detail?.amounts ?? {};
  const task = (kind: LogKind, rest: Partial<NewLogEntry> = {}): Task => ({
    key: `${alarm.id}/${detail?.raised ?? ""}/${kind}`,
    kind,
    entry: { subject, kind, ...rest },
  });
  const water = amounts["water_l"] ?? 0;
  const bedding = amounts["bedding_kg"] ?? 0;
  const found: Task[] = [];
  if (water > 0) found.push(task("wetted", { amount_l: Number(water.toFixed(1)) }));
  if (bedding > 0) found.push(task("bedding", { amount_kg: Number(bedding.toFixed(1)) }));
  if (alarm.rule === "feed-heating" || (alarm.rule === "top-drying" && water <= 0)) found.push(task("turned"));
  return found;
}

/** Kinds of log entry that answer an alarm of a rule. */
const ANSWERS: Record<string, readonly LogKind[]> = {
  "top-drying": ["wetted", "turned"],
  "too-wet": ["bedding", "turned"],
  "feed-heating": ["turned"],
};

/** The newest deed noted against an alarm since it was raised, and whether its readings are from after it. */
export function answered(alarm: Alarm, log: readonly LogEntry[]): { entry: LogEntry; spoken: boolean } | null {
  const since = alarm.raised ?? "";
  const entry = log.find(
    (e) => e.subject.kind === alarm.subject.kind && e.subject.id === alarm.subject.id && (ANSWERS[alarm.rule] ?? []).includes(e.kind) && e.at >= since,
  );
  if (entry === undefined || since === "") return null;
  return { entry, spoken: alarm.evidence.some((reading) => reading.at > entry.at) };
}

function lookIn(subject: Subject): Task {
  return { key: `look/${subject.kind}/${subject.id}`, kind: "lid", entry: { subject, kind: "lid" } };
}

/** Each kind of deed once: two alarms that ask for turning ask for one turning. */
function once(tasks: readonly Task[]): Task[] {
  return tasks.filter((task, i) => tasks.findIndex((other) => other.kind === task.kind) === i);
}

/** The corner after the one that was fed last, by whichever language it was noted in. */
export function cornerAfter(corner: string, corners: readonly (readonly string[])[]): number | null {
  for (const words of corners) {
    const at = words.indexOf(corner);
    if (at >= 0) return RING[(RING.indexOf(at) + 1) % RING.length] ?? null;
  }
  return null;
}

/** What to carry along for all the tasks. */
export function load(stops: readonly Stop[], isDone: (task: Task) => boolean): { l: number; bedding_kg: number } {
  const open = stops.flatMap((stop) => stop.tasks).filter((task) => !isDone(task));
  const sum = (pick: (task: Task) => number | undefined): number => open.reduce((total, task) => total + (pick(task) ?? 0), 0);
  return { l: sum((t) => t.entry.amount_l), bedding_kg: sum((t) => (t.kind === "bedding" ? t.entry.amount_kg : 0)) };
}
