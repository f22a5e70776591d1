/** What the service was asked for and said: kept, shared between screens, fetched again when nudged. */

import { useEffect, useReducer } from "preact/hooks";
import * as api from "./api.ts";
import { farmNow, setClock } from "./clock.ts";
import { type Batch, type Link, Listener, type Nudge } from "./live.ts";
import { keep, recall } from "./offline/said.ts";
import { share } from "./share.ts";
import type * as shapes from "./shapes.ts";

export interface Loaded<Value> {
  value: Value | undefined;
  failure: api.Failure | undefined;
}

interface Resource<Value> {
  /** Equal keys are the same resource. */
  key: string;
  load: () => Promise<Value>;
  /** Whether a nudge means that this must be fetched again. */
  touchedBy: (nudge: Nudge) => boolean;
  /** Fetches only what a few nudges name; null where that can't be done. */
  /** Kept in the browser, for a page opened while the service can't be reached. */
  kept?: true;
  /** Told when a kept answer is used, with how long ago it was heard. */
  recalled?: (value: Value, agoMs: number) => void;
  mend?: (old: Value, nudges: readonly Nudge[]) => Promise<Value> | null;
}

class Entry {
  state: Loaded<unknown> = { value: undefined, failure: undefined };
  watchers = new Set<() => void>();
  private busy = false;
  private due: Batch | null = null;
  readonly resource: Resource<unknown>;

  constructor(resource: Resource<unknown>) {
    this.resource = resource;
  }

  /** Fetches; a call while one is under way is remembered, so the last answer is never older than the last nudge. */
  async refresh(batch: Batch): Promise<void> {
    if (this.busy) {
      this.due = batch === "all" || this.due === "all" ? "all" : [...(this.due ?? []), ...batch];
      return;
    }
    this.busy = true;
    try {
      const old = this.state.value;
      const mended = batch === "all" || old === undefined ? null : this.resource.mend?.(old, batch);
      const value = share(old, await (mended ?? this.resource.load()));
      this.set({ value, failure: undefined });
      if (this.resource.kept) keep(this.resource.key, value);
    } catch (error) {
      const failure = error instanceof api.Failure ? error : new api.Failure(0, String(error));
      if (failure.status === 0) listener.unreachable();
      this.set({ value: this.state.value ?? (failure.status === 0 ? await this.recall() : undefined), failure });
    }
    this.busy = false;
    const due = this.due;
    this.due = null;
    if (due !== null) await this.refresh(due);
  }

  private async recall(): Promise<unknown> {
    const kept = this.resource.kept ? await recall(this.resource.key) : undefined;
    if (kept === undefined) return undefined;
    this.resource.recalled?.(kept.value, Date.now() - kept.wallMs);
    return kept.value;
  }

  private set(state: Loaded<unknown>): void {
    if (state.value === this.state.value && state.failure === this.state.failure) return;
    this.state = state;
    for (const watch of this.watchers) watch();
  }
}

const entries = new Map<string, Entry>();
const KEPT_UNWATCHED = 40;

function entryOf<Value>(resource: Resource<Value>): Entry {
  let entry = entries.get(resource.key);
  if (entry === undefined) {
    entry = new Entry(resource as unknown as Resource<unknown>);
    entries.set(resource.key, entry);
    forgetOldest();
  }
  return entry;
}

function forgetOldest(): void {
  if (entries.size <= KEPT_UNWATCHED) return;
  for (const [key, entry] of entries) {
    if (entry.watchers.size > 0) continue;
    entries.delete(key);
    return;
  }
}

/** The present state of a resource; the screen is drawn again when it changes. */
export function useResource<Value>(resource: Resource<Value>): Loaded<Value> & { again: () => void } {
  const [, redraw] = useReducer<number, void>((n) => n + 1, 0);
  const entry = entryOf(resource);
  useEffect(() => {
    const watch = (): void => redraw();
    entry.watchers.add(watch);
    // With others watching it is kept fresh already.
    if (entry.watchers.size === 1 || entry.state.failure !== undefined) void entry.refresh("all");
    return () => void entry.watchers.delete(watch);
  }, [entry]);
  return { ...(entry.state as Loaded<Value>), again: () => void entry.refresh("all") };
}

/** Fetches again what a change of our own has touched, without waiting for the nudge. */
export function touched(...nudges: Nudge[]): void {
  onBatch(nudges);
}

function onBatch(batch: Batch): void {
  for (const entry of entries.values()) {
    if (entry.watchers.size === 0) continue;
    const fitting = batch === "all" ? batch : batch.filter(entry.resource.touchedBy);
    if (fitting.length > 0) void entry.refresh(fitting);
  }
}

// --- the link to the service ---

const linkWatchers = new Set<() => void>();
const listener = new Listener(
  () => new EventSource("/api/v1/live"),
  onBatch,
  () => linkWatchers.forEach((watch) => watch()),
  farmNow,
);

const CLOCK_CHECK_MS = 30_000;

/** Starts listening, for the life of the page. */
export function listen(): void {
  if (document.visibilityState === "hidden") listener.leave();
  listener.start();
  api.onSignedOut(() => touched({ kind: "session", id: "" }));
  // The stream's heartbeats can't be seen from a script; this notices a link that died without a word.
  setInterval(() => {
    if (document.visibilityState === "visible") touched({ kind: "farm", id: "" });
  }, CLOCK_CHECK_MS);
  // Nothing tells of alarms while a page is hidden (its title and icon never do): messages do that.
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "hidden") listener.leave();
    else listener.back();
  });
  window.addEventListener("online", () => {
    if (listener.link.state !== "live") listener.start();
  });
  window.addEventListener("offline", () => listener.unreachable());
}

/** Calls when the service is heard again. */
export function onHeard(call: () => void): void {
  linkWatchers.add(() => listener.link.state === "live" && call());
}

export function useLink(): { link: Link; retry: () => void } {
  const [, redraw] = useReducer<number, void>((n) => n + 1, 0);
  useEffect(() => {
    const watch = (): void => redraw();
    linkWatchers.add(watch);
    return () => void linkWatchers.delete(watch);
  }, []);
  return { link: listener.link, retry: () => listener.start() };
}

// --- the resources ---

const ofKind =
  (...kinds: string[]) =>
  (nudge: Nudge): boolean =>
    kinds.includes(nudge.kind);

const subjectOf = (subject: shapes.Subject) => (nudge: Nudge) => nudge.kind === subject.kind && nudge.id === subject.id;

export const farm: Resource<shapes.Farm> = {
  key: "farm",
  load: async () => {
    const said = await api.getFarm();
    setClock(said);
    return said;
  },
  touchedBy: ofKind("farm"),
  kept: true,
  recalled: (said, agoMs) => {
    const then = Date.parse(said.now);
    setClock({ ...said, now: new Date(then + agoMs * said.speed).toISOString() });
    listener.lostSince(then);
  },
};

export const session: Resource<shapes.Session> = { key: "session", load: api.getSession, touchedBy: ofKind("session"), kept: true };
/** Asked again with the clock, and when the service is heard again. */
export const health: Resource<shapes.Health> = { key: "health", load: api.getHealth, touchedBy: ofKind("farm") };
export const users: Resource<shapes.User[]> = { key: "users", load: api.getUsers, touchedBy: ofKind("user") };
export const tokens: Resource<shapes.Token[]> = { key: "tokens", load: api.getTokens, touchedBy: ofKind("token") };
export const audit = (limit: number): Resource<shapes.Page<shapes.AuditEntry>> => ({
  key: `audit/${limit}`,
  load: () => api.getAudit(limit),
  touchedBy: ofKind("user", "token"),
});

export const places: Resource<shapes.Place[]> = { key: "places", load: api.getPlaces, touchedBy: ofKind("place"), kept: true };

/** What is inherited in the farm, or in one place. */
export const limits = (place: string | null): Resource<shapes.Limit[]> => ({
  key: `limits/${place ?? ""}`,
  load: () => api.getLimits(place),
  touchedBy: () => false, // asked anew whenever they are opened
});

const MENDED_AT_MOST = 6;

export const bins: Resource<shapes.BinSummary[]> = {
  key: "bins",
  load: api.getBins,
  touchedBy: ofKind("bin", "alarm"),
  kept: true,
  mend: (old, nudges) => {
    const named = new Set<string>();
    for (const nudge of nudges) {
      const holds = (b: shapes.BinSummary): boolean =>
        nudge.kind === "bin" ? b.id === nudge.id : b.alarms.some((a) => String(a.id) === nudge.id);
      const found = old.find(holds);
      if (found === undefined) return null;
      named.add(found.id);
    }
    if (named.size > MENDED_AT_MOST || old.length <= named.size) return null;
    return Promise.all([...named].map(api.getBin)).then((fresh) =>
      old.map((b) => fresh.find((f) => f.id === b.id) ?? b),
    );
  },
};

export const bin = (id: string): Resource<shapes.Bin> => ({
  key: `bin/${id}`,
  load: () => api.getBin(id),
  touchedBy: (nudge) => nudge.kind === "alarm" || subjectOf({ kind: "bin", id })(nudge),
});

/** Reckoned on from what is known of the bin: where that is another, so are they. */
export const facts = ({ id, worm_kg, length_m, width_m, depth_m, started, species }: shapes.Bin): Resource<shapes.Facts> => ({
  key: ["facts", id, worm_kg, length_m, width_m, depth_m, started, species].join("/"),
  load: () => api.getFacts(id),
  touchedBy: ofKind("log"),
});

export const targets: Resource<shapes.Target[]> = { key: "targets", load: api.getTargets, touchedBy: ofKind("farm") };

export const feedStores: Resource<shapes.FeedStore[]> = {
  key: "feed-stores",
  load: api.getFeedStores,
  touchedBy: ofKind("feed-store", "alarm"),
  kept: true,
};

export const feedStore = (id: string): Resource<shapes.FeedStore> => ({
  key: `feed-store/${id}`,
  load: () => api.getFeedStore(id),
  touchedBy: (nudge) => nudge.kind === "alarm" || subjectOf({ kind: "feed-store", id })(nudge),
});

const inUse = new Set<string>();

async function loadProbes(): Promise<shapes.Probe[]> {
  const found = await api.getProbes();
  inUse.clear();
  for (const probe of found) inUse.add(probe.id);
  return found;
}

export const probes: Resource<shapes.Probe[]> = { key: "probes", load: loadProbes, touchedBy: ofKind("probe"), kept: true };

/** Their readings change nothing that is shown of them but that they speak. */
export const retiredProbes: Resource<shapes.Probe[]> = {
  key: "retired-probes",
  load: api.getRetiredProbes,
  touchedBy: (nudge) => nudge.kind === "probe" && !inUse.has(nudge.id),
};

export const quarantine = (limit: number): Resource<shapes.Page<shapes.Reject>> => ({
  key: `quarantine/${limit}`,
  load: () => api.getQuarantine(limit),
  touchedBy: ofKind("quarantine"),
});

export const comparison = (channel: number, probe: string): Resource<shapes.Comparison | null> => ({
  key: `comparison/${channel}`,
  load: () => api.getComparison(channel),
  touchedBy: (nudge) => subjectOf({ kind: "probe", id: probe })(nudge) || (nudge.kind === "channel" && nudge.id === String(channel)),
});

export const steadiness = (channel: number): Resource<shapes.Steadiness> => ({
  key: `steadiness/${channel}`,
  load: () => api.getSteadiness(channel),
  touchedBy: ofKind("probe"),
});

export const calibrations = (channel: number): Resource<shapes.Calibration[]> => ({
  key: `calibrations/${channel}`,
  load: () => api.getCalibrations(channel),
  touchedBy: (nudge) => nudge.kind === "channel" && nudge.id === String(channel),
});

// Judging a subject anew may raise or end an alarm of it.
const ofAlarms = ofKind("alarm", "bin", "feed-store", "place");

export const liveAlarms: Resource<shapes.Alarm[]> = {
  key: "alarms",
  load: api.getLiveAlarms,
  touchedBy: ofAlarms,
  kept: true,
};

export const alarm = (id: number): Resource<shapes.AlarmDetail> => ({
  key: `alarm/${id}`,
  load: () => api.getAlarm(id),
  touchedBy: ofAlarms,
});

export const performance: Resource<shapes.Performance> = {
  key: "performance",
  load: api.getPerformance,
  touchedBy: ofKind("alarm"),
};

const histories = new Map<number, shapes.AlarmDetail>();

/** An alarm with its history, which is fetched only where it has grown. */
async function withHistory(alarm: shapes.Alarm): Promise<shapes.AlarmDetail> {
  let known = histories.get(alarm.id);
  if (known?.changed !== alarm.changed) {
    known = await api.getAlarm(alarm.id);
    histories.set(alarm.id, known);
  }
  return { ...known, ...alarm };
}

/** All alarms of a subject, past ones too, each with its history. */
export const alarmsOf = (subject: shapes.Subject): Resource<shapes.AlarmDetail[]> => ({
  key: `alarms/${subject.kind}/${subject.id}`,
  load: async () => Promise.all((await api.getAlarmsOf(subject)).map(withHistory)),
  touchedBy: (nudge) => nudge.kind === "alarm" || subjectOf(subject)(nudge),
});

const LOG_SHOWN = 200;

export const logOf = (subject: shapes.Subject): Resource<shapes.LogEntry[]> => ({
  key: `log/${subject.kind}/${subject.id}`,
  load: () => api.getLog(subject, LOG_SHOWN),
  touchedBy: (nudge) => nudge.kind === "log" || subjectOf(subject)(nudge),
});

export const logEntry = (id: number): Resource<shapes.LogDetail> => ({
  key: `log-entry/${id}`,
  load: () => api.getLogEntry(id),
  touchedBy: (nudge) => nudge.kind === "alarm" || (nudge.kind === "log" && nudge.id === String(id)),
});

export const deletedLogOf = (subject: shapes.Subject): Resource<shapes.LogEntry[]> => ({
  key: `log-deleted/${subject.kind}/${subject.id}`,
  load: () => api.getDeletedLog(subject, LOG_SHOWN),
  touchedBy: ofKind("log"),
});

const RECENT_MS = 3 * 86_400_000;
const RECENT_SHOWN = 500;

/** What was done in the last days, to tell whether an alarm has been answered. */
export const recentLog: Resource<shapes.LogEntry[]> = {
  key: "log/recent",
  load: () => api.getLogOfAll(new Date(farmNow() - RECENT_MS).toISOString(), RECENT_SHOWN),
  touchedBy: ofKind("log"),
};

const FEEDINGS_SHOWN = 500;

/** The newest feedings of all bins: which corner was last, and when. */
export const fedLog: Resource<shapes.LogEntry[]> = {
  key: "log/fed",
  load: () => api.getFeedings(FEEDINGS_SHOWN),
  touchedBy: ofKind("log"),
  kept: true,
};

export const weeks: Resource<shapes.WeekListed[]> = { key: "weeks", load: api.getWeeks, touchedBy: ofKind("report") };

export const weekly = (week: string): Resource<shapes.WeeklyReport> => ({
  key: `weekly/${week}`,
  load: () => api.getWeekly(week),
  touchedBy: (nudge) => nudge.kind === "report" && nudge.id === week,
});

export const today: Resource<shapes.DailySummary> = { key: "today", load: api.getToday, touchedBy: ofKind("alarm") };
