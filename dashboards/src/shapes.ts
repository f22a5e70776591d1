/** The bodies of the service's API, as its /api/openapi.json describes them. Times are RFC 3339 strings. */

export type SubjectKind = "bin" | "feed-store" | "place" | "probe" | "farm";
export type Position = "top" | "core" | "base" | "pocket" | "air" | "feed";
export type Quantity =
  | "temperature"
  | "moisture"
  | "moisture-raw"
  | "humidity"
  | "battery"
  | "signal"
  | "other";
/** What may have a twin to be compared with. */
export const COMPARED: readonly Quantity[] = ["temperature", "moisture", "humidity"];
export type AlarmState =
  | "normal"
  | "unacknowledged"
  | "acknowledged"
  | "returned-unacknowledged"
  | "shelved"
  | "out-of-service";
export type Priority = "urgent" | "today" | "round" | "info";
export type LogKind =
  | "fed"
  | "wetted"
  | "turned"
  | "bedding"
  | "harvest"
  | "split"
  | "worms"
  | "seen"
  | "lid";
export type StoredFeedState =
  | "soft"
  | "freezing"
  | "frozen-through"
  | "hard-frozen"
  | "thawing"
  | "thawed"
  | "unknown";

export interface Page<Item> {
  items: Item[];
  next: string | null;
}

export interface Subject {
  kind: SubjectKind;
  id: string;
}

export interface Farm {
  name: string;
  time_zone: string;
  now: string;
  /** Farm hours per hour of the wall clock; 1 but for a demonstration. */
  speed: number;
  /** HOST:PORT that probes publish to */
  broker: string;
  version: string;
  limits: Record<string, number>;
}

export interface Forecast {
  limit: number;
  eta_h: number;
  low_h: number;
  /** null: may never be crossed */
  high_h: number | null;
}

export interface PositionState {
  position: Position;
  quantity: Quantity;
  channel: number;
  value: number;
  unit: string;
  at: string;
  trend_per_h: number | null;
  trend: "rising" | "falling" | "steady" | "unknown";
  state: "ok" | "low" | "high" | "stale";
  low: number | null;
  high: number | null;
  forecast: Forecast | null;
}

export interface StoredFeed {
  state: StoredFeedState;
  frozen_fraction: number | null;
  hard_frozen_h: number;
  hours_to_change: number | null;
  words: string;
}

export interface Condition {
  at: string;
  words: string;
  positions: PositionState[];
  stored_feed: StoredFeed | null;
}

export interface AlarmSummary {
  id: number;
  rule: string;
  state: AlarmState;
  priority: Priority;
  forecast: boolean;
  headline: string;
  advice: string;
  eta_h: number | null;
  changed: string;
}

export interface Limit {
  name: string;
  value: number;
  unit: string;
  origin: string;
  source: string;
  /** The months that the value was set for, as in 11-3; null: the whole year. */
  season: string | null;
}

export interface Place {
  id: string;
  name: string;
  outdoors: boolean;
  limits: Record<string, number>;
  condition: Condition | null;
}

export interface BinSummary {
  id: string;
  name: string;
  place_id: string;
  species: string;
  condition: Condition | null;
  alarms: AlarmSummary[];
}

/** Which sizes and masses are as they are taken to be where none is given. */
export type Assumed = string[];

export interface Bin extends BinSummary {
  length_m: number;
  width_m: number;
  depth_m: number;
  worm_kg: number;
  assumed: Assumed;
  started: string;
  limits: Limit[];
  /** What is set for this bin alone, by name; temp_low_c@11-3 holds from November to March. */
  own_limits: Record<string, number>;
}

export interface Range {
  likely: number;
  least: number;
  most: number;
}

/** What is known of a bin besides its readings; null where it can't be told. */
export interface Facts {
  /** When it was started, or harvested last. */
  begun: string;
  harvested: boolean;
  worms: { told_kg: number; told: string; by_log: boolean; how: string; now_kg: Range };
  food_left_kg: Range | null;
  ration_kg_per_day: Range | null;
  ready: { share: number; likely: string | null; earliest: string | null; latest: string | null } | null;
  split: {
    due: boolean;
    likely_days: number | null;
    least_days: number | null;
    most_days: number | null;
    density_kg_m2: number;
    take_kg: number;
    reason: string;
  } | null;
}

/** Somebody who is told of alarms; the address stays with the service. */
export interface Target {
  name: string;
  least: Priority;
  quiet: string | null;
  breaks_quiet: Priority | "none";
  digest: string | null;
  failing_since: string | null;
  last_error: string | null;
  waiting: number;
}

export interface FeedStore {
  id: string;
  name: string;
  place_id: string;
  diameter_m: number;
  fill_depth_m: number;
  assumed: Assumed;
  condition: Condition | null;
  alarms: AlarmSummary[];
}

export interface Placement {
  subject: Subject;
  position: Position;
  /** Null: since its first reading. */
  since: string | null;
}

export interface Channel {
  id: number;
  name: string;
  quantity: Quantity;
  unit: string;
  latest: { at: string; value: number } | null;
  placement: Placement | null;
  twin: { channel: number; since: string } | null;
  /** Raw moisture that a calibration turns into per cent. */
  calibrated: boolean;
}

/** What the rules make of a placed probe. */
export interface ProbeHealth {
  at: string;
  rhythm: {
    state: "on-time" | "late" | "silent";
    interval_min: number | null;
    /** When its next reading is expected. */
    due: string | null;
    patience_h: number;
  };
  battery: {
    state: "fine" | "low" | "unknown";
    value: number;
    unit: string;
    /** null: it does not surely fall */
    left_h: number | null;
  } | null;
  signal: { state: "strong" | "good" | "weak" | "hardly-any"; dbm: number } | null;
  doubts: { channel: number; quantity: Quantity; since: string; words: string; advice: string }[];
  /** Silences of the last 24 h. */
  gaps: { start: string; end: string }[];
}

/** Where a probe's names say that what of it is not placed yet sits. */
export interface Suggestion {
  subject: Subject;
  position: Position;
  channels: string[];
  because: string[];
}

/** A channel beside its twin; null where the twin was silent. */
export interface Comparison {
  channel: number;
  twin: number;
  twin_name: string;
  quantity: Quantity;
  unit: string;
  since: string;
  time: string[];
  own: number[];
  other: (number | null)[];
  difference: (number | null)[];
  apart: number | null;
  drift_per_day: number | null;
  drifting: boolean;
}

export interface Probe {
  id: string;
  name: string;
  first_seen: string;
  last_seen: string | null;
  /** null: it has never said */
  online: boolean | null;
  retired: string | null;
  /** It has spoken since it was retired. */
  speaks_retired: boolean;
  channels: Channel[];
  suggestion: Suggestion | null;
  /** null: it sits nowhere, or is not judged yet */
  health: ProbeHealth | null;
}

export interface Readings {
  channel: number;
  unit: string;
  quantity: Quantity;
  time: string[];
  low: number[];
  mean: number[];
  high: number[];
  count: number[];
}

/** Whether a calibration point may be taken from a raw channel now. */
export interface Steadiness {
  raw: number | null;
  scatter: number | null;
  steady: boolean;
  words: string;
}

export interface OvenSample {
  before_g: number;
  after_g: number;
  tare_g: number;
}

/** A raw reading in bedding of known moisture: `pct_wb` or `oven`, one of both. */
export interface NewPoint {
  raw: number;
  pct_wb?: number;
  oven?: OvenSample;
  temp_c?: number;
}

export interface NewCalibration {
  points: NewPoint[];
  temp_coeff: number;
  apply_to_past: boolean;
}

export interface CalibrationPoint {
  raw: number;
  pct_wb: number;
  sd_pct: number;
  how: "given" | "oven";
  temp_c: number | null;
}

export interface Curve {
  raw: number[];
  pct_wb: number[];
  sd_pct: number[];
}

export interface Calibration {
  /** 0: a preview, not kept */
  version: number;
  made: string;
  since: string;
  points: CalibrationPoint[];
  temp_coeff: number;
  moisture_channel: number | null;
  curve: Curve;
}

export interface LogEntry {
  id: number;
  at: string;
  subject: Subject;
  kind: LogKind;
  amount_kg: number | null;
  amount_l: number | null;
  what: string;
  corner: string;
  note: string;
  /** Made by who wrote it; null for one written without. */
  key: string | null;
  /** When it was last corrected; null: it stands as it was written. */
  corrected: string | null;
  /** null: it holds */
  deleted: string | null;
  photos: Photo[];
}

export interface Photo {
  id: number;
  width: number;
  height: number;
  url: string;
  small_url: string;
}

export interface LogDetail extends LogEntry {
  /** How it read before, newest first. */
  earlier: (Omit<LogEntry, "id" | "key" | "corrected" | "deleted" | "photos"> & { until: string })[];
  /** What a rule makes of it, until when or from when on. */
  effects: { effect: "settles" | "lid-open" | "dries-anew" | "heat-watched" | "tub-anew" | "worm-mass"; at: string | null }[];
  /** Alarms that stood then and that such a deed answers. */
  answers: { alarm: number; rule: string; headline: string; raised: string; returned: string | null }[];
}

/** What is corrected of an entry; null takes an amount away. */
export interface LogChange {
  subject?: Subject;
  kind?: LogKind;
  at?: string;
  amount_kg?: number | null;
  amount_l?: number | null;
  what?: string;
  corner?: string;
  note?: string;
}

export interface Alarm extends AlarmSummary {
  subject: Subject;
  subject_name: string;
  position: Position | null;
  value: number | null;
  limit: number | null;
  unit: string;
  eta_low_h: number | null;
  eta_high_h: number | null;
  caution: string;
  amounts: Record<string, number>;
  raised: string | null;
  since: string | null;
  shelved_until: string | null;
  reason: string;
  /** The keeper has marked it as false. */
  was_false: boolean;
  evidence: { channel: number; at: string; value: number }[];
}

export interface AlarmDetail extends Alarm {
  history: {
    at: string;
    before: AlarmState;
    after: AlarmState;
    cause: string;
    by: string;
    headline: string;
  }[];
}

/** A message of a probe that could not be used. */
export interface Reject {
  id: number;
  topic: string;
  reason: string;
  size: number;
  /** How often the same message came. */
  times: number;
  received: string;
  /** Its first bytes; unprintable ones are escaped. */
  payload_start: string;
}

export interface NewLogEntry {
  subject: Subject;
  kind: LogKind;
  at?: string;
  amount_kg?: number;
  amount_l?: number;
  what?: string;
  corner?: string;
  note?: string;
  /** The same entry sent again under its key is kept once. */
  key?: string;
}

export interface FarmChange {
  name?: string;
  time_zone?: string;
  limits?: Record<string, number>;
}

export interface PlaceChange {
  name?: string;
  outdoors?: boolean;
  limits?: Record<string, number>;
}

export interface NewPlace {
  id: string;
  name: string;
  outdoors: boolean;
}

interface Named {
  id: string;
  name: string;
  place_id: string;
}

export const SPECIES = ["eisenia-fetida", "eisenia-andrei", "dendrobaena-veneta", "eudrilus-eugeniae", "perionyx-excavatus"] as const;

export interface BinChange {
  name?: string;
  place_id?: string;
  species?: string;
  length_m?: number;
  width_m?: number;
  depth_m?: number;
  worm_kg?: number;
  started?: string;
  limits?: Record<string, number>;
}

export type NewBin = BinChange & Named;

export interface FeedStoreChange {
  name?: string;
  place_id?: string;
  diameter_m?: number;
  fill_depth_m?: number;
}

export type NewFeedStore = FeedStoreChange & Named;

export interface NewPlacement {
  subject: Subject;
  position: Position;
  channels: string[] | null;
}

export type Role = "viewer" | "keeper" | "owner";

export interface Session {
  access: "accounts" | "open";
  name: string | null;
  /** null: not signed in */
  role: Role | null;
  has_password: boolean;
  set_up: boolean;
}

export interface Invitation {
  role: Role;
  /** whose password it sets; null: it makes a new account */
  name: string | null;
}

export interface InvitationMade {
  path: string;
  until: string;
}

export interface User {
  id: number;
  name: string;
  role: Role;
  made: string;
  signed_in: string | null;
}

export interface Token {
  id: number;
  name: string;
  role: Role;
  made: string;
  until: string;
}

export type TokenMade = Token & { secret: string };

export interface AuditEntry {
  id: number;
  at: string;
  who: string;
  address: string;
  what: string;
  detail: string;
}

export type DateOrder = "ymd" | "dmy" | "mdy" | "unix";

export interface ImportColumn {
  index: number;
  probe: string;
  channel: string;
  unit: string;
}

/** How a table is read: numbers are columns from 0, words stand for every row alike. */
export interface ReadingsMap {
  separator: string;
  width: number;
  time: number;
  order: DateOrder;
  zone: string;
  clock: number | null;
  twice: "refuse" | "earlier" | "later";
  decimal: string;
  columns: ImportColumn[];
  value: number | null;
  probe: number | string;
  channel: number | string;
  unit: number | string;
}

export interface LogMap {
  separator: string;
  time: number;
  order: DateOrder;
  zone: string;
  twice: "refuse" | "earlier" | "later";
  decimal: string;
  subject: number | string;
  kind: number | string;
  what: number | null;
  amount: number | null;
  amount_kg: number | null;
  amount_l: number | null;
  note: number | null;
}

/** What the beginning of a table tells, and the questions that it leaves open. */
export interface Look {
  what: "readings" | "log";
  header: string[];
  header_line: number;
  rows: string[][];
  readings: ReadingsMap | null;
  log: LogMap | null;
  questions: string[];
}

export interface NewImport {
  map: ReadingsMap | LogMap;
  lines: string;
  first_line: number;
  dry_run: boolean;
  /** Of the pieces of one dry run alike, so that a row that comes again in a later one counts once. */
  trial?: string;
}

export interface RefusedRow {
  line: number;
  reason: string;
  cells: string[];
}

export interface Import {
  rows: number;
  new: number;
  known: number;
  refused: RefusedRow[];
  readings: { probe: string; channel: string; unit: string; at: string; value: number }[];
  entries: { at: string; subject: Subject; kind: LogKind; what: string; amount_kg: number | null; amount_l: number | null; note: string }[];
}

/** One time that an alarm was up, or would have been; `to` null: still at the end of the period. */
export interface Spell {
  from: string;
  to: string | null;
  forecast: boolean;
  priority: Priority;
  headline: string;
}

/** An alarm as it was and as it would have been; null where there was or would have been none. */
export interface ReplayPair {
  subject: Subject;
  subject_name: string;
  rule: string;
  was: Spell | null;
  would: Spell | null;
}

export interface Replay {
  from: string;
  to: string;
  rules: string[];
  pairs: ReplayPair[];
}

export interface ReplayAsk {
  from: string;
  subjects?: Subject[];
  /** In place of what they have of their own. */
  limits?: { subject: Subject; limits: Record<string, number> }[];
  only_changed?: boolean;
  against?: "history" | "present-limits";
}

export type BenchmarkName = "a-day" | "peak" | "flood-share-pct" | "stale" | "chattering" | "urgent-share-pct";

export interface RulePerformance {
  rule: string;
  alarms: number;
  acknowledged: number;
  acknowledged_after_h: number | null;
  stale: number;
  chattering: number;
  false: number;
  forecasts: number;
  came_true: number;
  lead_h: number | null;
  least_lead_h: number | null;
}

export interface Performance {
  from: string;
  to: string;
  days: number;
  alarms: number;
  source: string;
  benchmarks: { name: BenchmarkName; value: number; highest: number; is_met: boolean }[];
  rules: RulePerformance[];
}

export interface Health {
  /** each part of the service and its state in words */
  parts: Record<string, string>;
  not_well: string[];
}

export interface WeekListed {
  week: string;
  start: string;
  end: string;
  over: boolean;
  kept: string | null;
}

export interface Figures {
  known_pct: number;
  in_range_pct: number | null;
  below_pct: number | null;
  above_pct: number | null;
  lowest: { value: number; at: string };
  median: number;
  highest: { value: number; at: string };
  trend_per_day: number | null;
  trend: "rising" | "falling" | "steady" | "unknown";
}

export interface PositionReport {
  position: Position;
  quantity: Quantity;
  unit: string;
  low: number | null;
  high: number | null;
  probes: string[];
  this_week: Figures | null;
  week_before: Figures | null;
}

export interface Heating {
  fed_at: string;
  before_c: number;
  peak: { value: number; at: string };
  forecast: { peak_c: number; low_c: number; high_c: number } | null;
  /** Of a large farm, forecasts are worked out for the warmest pockets alone. */
  forecast_left_out: boolean;
}

/** A bin, a tub or a place in a report, as far as the screens show it. */
export interface Watched {
  kind: SubjectKind;
  id: string;
  name: string;
  place: string;
  outdoors: boolean;
  words: string;
  positions: PositionReport[];
  food: { fed_kg: number; fed_before_kg: number; left_kg: number } | null;
  heatings: Heating[];
  water: { litres: number; litres_before: number } | null;
  frost: { below_h: number; lowest: { value: number; at: string } } | null;
}

export interface WeeklyReport {
  week: string;
  whole: boolean;
  totals: {
    in_range_moisture_pct: number | null;
    in_range_temperature_pct: number | null;
    in_range_moisture_before_pct: number | null;
    in_range_temperature_before_pct: number | null;
    fed_kg: number;
    litres: number;
  };
  things: Watched[];
  alarms: { subject_id: string; rule: string; headline: string; raised: string; dealt_h: number | null }[];
  tasks: { subject_kind: SubjectKind; subject_id: string; name: string; priority: Priority; by: string | null; words: string }[];
  cautions: string[];
}

export interface DailySummary {
  day: string;
  lines: string[];
}
