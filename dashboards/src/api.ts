/** One typed function per endpoint of the service. Each throws a `Failure` that a person can read. */

import type * as shapes from "./shapes.ts";
import { text } from "./text/text.ts";

/** What went wrong, in words: from the service's problem details where it gave some. */
export class Failure extends Error {
  readonly status: number;

  constructor(status: number, detail: string) {
    super(detail);
    this.status = status;
  }
}

/** How long an answer is waited for: a link that swallows packets never says that it is broken. */
const PATIENCE_MS = 20_000;
/** A photo over the Wi-Fi of a shed. */
const PHOTO_MS = 60_000;
/** What the service has much to do for. */
const WORK_MS = 300_000;

let signedOut: () => void = () => undefined;

/** Calls when the service asks for a sign-in. */
export function onSignedOut(call: () => void): void {
  signedOut = call;
}

async function call<Body>(method: string, path: string, body?: object, patienceMs = PATIENCE_MS): Promise<Body> {
  const init: RequestInit = { method, headers: { Accept: "application/json" } };
  if (body instanceof Blob) {
    init.body = body;
    init.headers = { ...init.headers, "Content-Type": "application/octet-stream" };
  } else if (body !== undefined) {
    init.body = JSON.stringify(body);
    init.headers = { ...init.headers, "Content-Type": "application/json" };
  }
  return reached(patienceMs, async (signal) => read(path, await fetch(`/api/v1${path}`, { ...init, signal })));
}

/** Asks and reads the answer to its end; one that does not come in time, breaks off or is not the service's is none. */
async function reached<Body>(patienceMs: number, ask: (signal: AbortSignal) => Promise<Body>): Promise<Body> {
  try {
    return await ask(AbortSignal.timeout(patienceMs));
  } catch (error) {
    throw error instanceof Failure ? error : new Failure(0, text.failure.unreachable);
  }
}

async function read<Body>(path: string, response: Response): Promise<Body> {
  if (response.status === 204) return undefined as Body;
  if (response.ok) return (await response.json()) as Body;
  if (response.status === 401 && path !== "/session") signedOut();
  const problem: unknown = await response.json().catch(() => null);
  throw new Failure(response.status, detailOf(problem) ?? text.failure.status(response.status));
}

function detailOf(problem: unknown): string | null {
  if (typeof problem !== "object" || problem === null || !("detail" in problem)) return null;
  return typeof problem.detail === "string" && problem.detail !== "" ? problem.detail : null;
}

const part = encodeURIComponent;

/** All items of a paged list, page after page. */
async function all<Item>(path: string): Promise<Item[]> {
  const items: Item[] = [];
  let after = "";
  for (;;) {
    const page: shapes.Page<Item> = await call("GET", path + after);
    items.push(...page.items);
    if (page.next === null) return items;
    after = `${path.includes("?") ? "&" : "?"}after=${part(page.next)}`;
  }
}

export const getFarm = (): Promise<shapes.Farm> => call("GET", "/farm");
export const changeFarm = (change: shapes.FarmChange): Promise<shapes.Farm> => call("PATCH", "/farm", change);

export const getPlaces = (): Promise<shapes.Place[]> => all("/places");
export const addPlace = (place: shapes.NewPlace): Promise<shapes.Place> => call("POST", "/places", place);
export const changePlace = (id: string, change: shapes.PlaceChange): Promise<shapes.Place> => call("PATCH", `/places/${part(id)}`, change);

export const getBins = (): Promise<shapes.BinSummary[]> => all("/bins");
export const getBin = (id: string): Promise<shapes.Bin> => call("GET", `/bins/${part(id)}`);
export const getFacts = (id: string): Promise<shapes.Facts> => call("GET", `/bins/${part(id)}/facts`);
export const addBin = (bin: shapes.NewBin): Promise<shapes.Bin> => call("POST", "/bins", bin);
export const changeBin = (id: string, change: shapes.BinChange): Promise<shapes.Bin> => call("PATCH", `/bins/${part(id)}`, change);

/** What is inherited in the farm, or in one place. */
export const getLimits = (place: string | null): Promise<shapes.Limit[]> => call("GET", place === null ? "/limits" : `/limits?place=${part(place)}`);

export const getFeedStores = (): Promise<shapes.FeedStore[]> => all("/feed-stores");
export const getFeedStore = (id: string): Promise<shapes.FeedStore> => call("GET", `/feed-stores/${part(id)}`);
export const addFeedStore = (store: shapes.NewFeedStore): Promise<shapes.FeedStore> =>
  call("POST", "/feed-stores", store);
export const changeFeedStore = (id: string, change: shapes.FeedStoreChange): Promise<shapes.FeedStore> =>
  call("PATCH", `/feed-stores/${part(id)}`, change);

export const getProbes = (): Promise<shapes.Probe[]> => all("/probes");
export const renameProbe = (id: string, name: string): Promise<shapes.Probe> =>
  call("PATCH", `/probes/${part(id)}`, { name });
export const placeProbe = (id: string, placement: shapes.NewPlacement): Promise<shapes.Probe> =>
  call("POST", `/probes/${part(id)}/placement`, placement);
export const takeProbeOut = (id: string): Promise<shapes.Probe> =>
  call("DELETE", `/probes/${part(id)}/placement`);
export const getRetiredProbes = (): Promise<shapes.Probe[]> => all("/probes?retired=true");
export const retireProbe = (id: string): Promise<shapes.Probe> => call("POST", `/probes/${part(id)}/retire`);
/** `putBack`: to where it sat, as though it had never been retired. */
export const unretireProbe = (id: string, putBack: boolean): Promise<shapes.Probe> =>
  call("POST", `/probes/${part(id)}/unretire`, { put_back: putBack });

/** Readings that a comparison is thinned to. */
export const COMPARED_POINTS = 300;
/** null: it has no twin */
export const getComparison = (channel: number): Promise<shapes.Comparison | null> =>
  call("GET", `/channels/${channel}/twin?points=${COMPARED_POINTS}`);
export const setTwin = (channel: number, twin: number): Promise<object> => call("PUT", `/channels/${channel}/twin`, { channel: twin });
export const endTwin = (channel: number): Promise<void> => call("DELETE", `/channels/${channel}/twin`);

/** With `trim` the range begins at the first reading where that is later. */
export function getReadings(channel: number, fromMs: number, toMs: number, points: number, trim: boolean): Promise<shapes.Readings> {
  const from = part(new Date(fromMs).toISOString());
  const to = part(new Date(toMs).toISOString());
  return call("GET", `/readings?channel=${channel}&from=${from}&to=${to}&points=${points}${trim ? "&trim=true" : ""}`);
}

export const getSteadiness = (channel: number): Promise<shapes.Steadiness> => call("GET", `/channels/${channel}/steadiness`);
/** Every version, newest first. */
export const getCalibrations = (channel: number): Promise<shapes.Calibration[]> => all(`/channels/${channel}/calibrations`);
export const previewCalibration = (channel: number, calibration: shapes.NewCalibration): Promise<shapes.Calibration> =>
  call("POST", `/channels/${channel}/calibrations/preview`, calibration, WORK_MS);
export const addCalibration = (channel: number, calibration: shapes.NewCalibration): Promise<shapes.Calibration> =>
  call("POST", `/channels/${channel}/calibrations`, calibration, WORK_MS);

/** The newest log entries of a subject, at most `limit`. */
export async function getLog(subject: shapes.Subject, limit: number): Promise<shapes.LogEntry[]> {
  const page: shapes.Page<shapes.LogEntry> = await call(
    "GET",
    `/log?subject=${part(`${subject.kind}/${subject.id}`)}&limit=${limit}`,
  );
  return page.items;
}
/** A subject's entries of a kind from a time on, newest first. */
export async function getLogSince(subject: shapes.Subject, kind: shapes.LogKind, since: string): Promise<shapes.LogEntry[]> {
  const page: shapes.Page<shapes.LogEntry> = await call(
    "GET",
    `/log?subject=${part(`${subject.kind}/${subject.id}`)}&kind=${kind}&from=${part(since)}`,
  );
  return page.items;
}
/** What was noted of all things from a time on, newest first. */
export async function getLogOfAll(since: string, limit: number): Promise<shapes.LogEntry[]> {
  const page: shapes.Page<shapes.LogEntry> = await call("GET", `/log?from=${part(since)}&limit=${limit}`);
  return page.items;
}
/** The newest feedings of all bins. */
export async function getFeedings(limit: number): Promise<shapes.LogEntry[]> {
  const page: shapes.Page<shapes.LogEntry> = await call("GET", `/log?kind=fed&limit=${limit}`);
  return page.items;
}
export const addLogEntry = (entry: shapes.NewLogEntry): Promise<shapes.LogEntry> => call("POST", "/log", entry);
export const getLogEntry = (id: number): Promise<shapes.LogDetail> => call("GET", `/log/${id}`);
export const correctLogEntry = (id: number, change: shapes.LogChange): Promise<shapes.LogEntry> => call("PATCH", `/log/${id}`, change);
export const deleteLogEntry = (id: number): Promise<shapes.LogEntry> => call("DELETE", `/log/${id}`);
export const restoreLogEntry = (id: number): Promise<shapes.LogEntry> => call("POST", `/log/${id}/restore`);
/** The newest deleted entries of a subject. */
export async function getDeletedLog(subject: shapes.Subject, limit: number): Promise<shapes.LogEntry[]> {
  const page: shapes.Page<shapes.LogEntry> = await call(
    "GET",
    `/log?subject=${part(`${subject.kind}/${subject.id}`)}&deleted=true&limit=${limit}`,
  );
  return page.items;
}
/** The same photo sent again is kept once. */
export const addPhoto = (entry: number, photo: Blob): Promise<shapes.Photo> => call("POST", `/log/${entry}/photos`, photo, PHOTO_MS);
export const deletePhoto = (id: number): Promise<void> => call("DELETE", `/photos/${id}`);

/** The newest messages that could not be used, at most `limit`. */
export const getQuarantine = (limit: number): Promise<shapes.Page<shapes.Reject>> => call("GET", `/quarantine?limit=${limit}`);

export const getTargets = (): Promise<shapes.Target[]> => all("/notify/targets");
/** Sends a test message and waits for the target's answer; why it was not taken, or null. */
export const tryTarget = (name: string): Promise<{ taken: boolean; error: string | null }> =>
  call("POST", `/notify/targets/${part(name)}/test`, undefined, WORK_MS);

export const getLiveAlarms = (): Promise<shapes.Alarm[]> => all("/alarms?show=live");
export const getAlarmsOf = (subject: shapes.Subject): Promise<shapes.Alarm[]> =>
  all(`/alarms?show=all&subject=${part(`${subject.kind}/${subject.id}`)}`);
export const getAlarm = (id: number): Promise<shapes.AlarmDetail> => call("GET", `/alarms/${id}`);
export const acknowledgeAlarm = (id: number): Promise<shapes.AlarmDetail> => call("POST", `/alarms/${id}/acknowledge`);
export const shelveAlarm = (id: number, hours: number, reason: string): Promise<shapes.AlarmDetail> =>
  call("POST", `/alarms/${id}/shelve`, { hours, reason });
export const unshelveAlarm = (id: number): Promise<shapes.AlarmDetail> => call("POST", `/alarms/${id}/unshelve`);
export const takeAlarmOutOfService = (id: number, reason: string): Promise<shapes.AlarmDetail> =>
  call("POST", `/alarms/${id}/out-of-service`, { reason });
/** Marks an alarm as false, or takes that back; the rules are measured by it. */
export const markAlarm = (id: number, wasFalse: boolean): Promise<shapes.AlarmDetail> =>
  call("PUT", `/alarms/${id}/false`, { was_false: wasFalse });
export const returnAlarmToService = (id: number): Promise<shapes.AlarmDetail> =>
  call("POST", `/alarms/${id}/in-service`);

export const getSession = (): Promise<shapes.Session> => call("GET", "/session");
export const signIn = (name: string, password: string): Promise<shapes.Session> => call("POST", "/session", { name, password });
export const signOut = (): Promise<void> => call("DELETE", "/session");
export const signOutEverywhere = (): Promise<void> => call("DELETE", "/sessions");
export const changePassword = (old: string, fresh: string): Promise<void> => call("PUT", "/session/password", { old, new: fresh });
export const lookAtInvitation = (secret: string): Promise<shapes.Invitation> => call("POST", "/invitations/look", { secret });
export const redeemInvitation = (secret: string, name: string, password: string): Promise<shapes.Session> =>
  call("POST", "/invitations/redeem", { secret, name, password });

export const getUsers = (): Promise<shapes.User[]> => all("/users");
export const changeRole = (id: number, role: shapes.Role): Promise<shapes.User> => call("PATCH", `/users/${id}`, { role });
export const removeUser = (id: number): Promise<void> => call("DELETE", `/users/${id}`);
export const invite = (role: shapes.Role): Promise<shapes.InvitationMade> => call("POST", "/invitations", { role });
export const resetPassword = (user: number): Promise<shapes.InvitationMade> => call("POST", "/invitations", { user });
export const getTokens = (): Promise<shapes.Token[]> => all("/tokens");
export const makeToken = (name: string, role: shapes.Role, days: number): Promise<shapes.TokenMade> =>
  call("POST", "/tokens", { name, role, days });
export const removeToken = (id: number): Promise<void> => call("DELETE", `/tokens/${id}`);
/** The newest changes, at most `limit`. */
export const getAudit = (limit: number): Promise<shapes.Page<shapes.AuditEntry>> => call("GET", `/audit?limit=${limit}`);

export const lookAtTable = (table: string, what: shapes.Look["what"] | null): Promise<shapes.Look> =>
  call("POST", "/imports/look", { text: table, what }, WORK_MS);
export const importReadings = (body: shapes.NewImport): Promise<shapes.Import> => call("POST", "/imports/readings", body, WORK_MS);
export const importLog = (body: shapes.NewImport): Promise<shapes.Import> => call("POST", "/imports/log", body, WORK_MS);

/** What the limits in force, or others, say of a past period. Changes nothing. */
export const askReplay = (ask: shapes.ReplayAsk): Promise<shapes.Replay> => call("POST", "/replay", ask, WORK_MS);
/** How good the alarms of the last 30 days were. */
export const getPerformance = (): Promise<shapes.Performance> => call("GET", "/alarm-performance", undefined, WORK_MS);

/** How the parts of the service are; 503 is an answer too, of one that is not well. */
export function getHealth(): Promise<shapes.Health> {
  return reached(PATIENCE_MS, async (signal) => {
    const response = await fetch("/healthz", { signal });
    if (response.status !== 503) return read("/healthz", response);
    const health = (await response.json().catch(() => null)) as shapes.Health | null;
    if (health?.not_well === undefined) throw new Failure(503, text.failure.status(503));
    return health;
  });
}

export const getWeeks = (): Promise<shapes.WeekListed[]> => all("/reports/weekly");
export const getWeekly = (week: string): Promise<shapes.WeeklyReport> =>
  call("GET", `/reports/weekly/${part(week)}`, undefined, WORK_MS);
/** Computes a week that is over anew and keeps its report. */
export const keepWeek = (week: string): Promise<shapes.WeeklyReport> =>
  call("PUT", `/reports/weekly/${part(week)}`, undefined, WORK_MS);
export const getToday = (): Promise<shapes.DailySummary> => call("GET", "/reports/daily", undefined, WORK_MS);

/** Where a browser gets a week's report in a form of its own; `subject` as bin/alder, or nothing for the farm. */
export function weekFile(week: string, form: "page" | "pdf" | "csv" | "text", subject: string): string {
  return `/api/v1/reports/weekly/${part(week)}/${form}${subject === "" ? "" : `?subject=${part(subject)}`}`;
}

/** A week's report as a file; a `Failure` says in words where this service can't make one of that form. */
export function getWeekFile(week: string, form: "pdf", subject: string): Promise<Blob> {
  return reached(WORK_MS, async (signal) => {
    const response = await fetch(weekFile(week, form, subject), { signal });
    return response.ok ? response.blob() : read(`/reports/weekly/${week}`, response);
  });
}
