/** Times as a field for day and time takes them: the clocks of the farm, without a zone. Pure. */

const MINUTE = 60_000;

/** The last day and minute that a field takes: years have four digits everywhere. */
export const LAST_DAY = "9999-12-31";
export const LAST_MINUTE = `${LAST_DAY}T23:59`;

/** "2026-11-25T06:10" at the farm's clocks. */
export function toField(ms: number, zone: string): string {
  const parts = new Intl.DateTimeFormat("en-GB", {
    timeZone: zone,
    year: "numeric",
    month: "2-digit",
    day: "2-digit",
    hour: "2-digit",
    minute: "2-digit",
    hourCycle: "h23",
  }).formatToParts(ms);
  const of = (type: Intl.DateTimeFormatPartTypes): string => parts.find((p) => p.type === type)?.value ?? "";
  return `${of("year").padStart(4, "0")}-${of("month")}-${of("day")}T${of("hour")}:${of("minute")}`;
}

/** What was typed as milliseconds; NaN for what is no time. An hour that summer time leaves out is the one after it. */
export function fromField(field: string, zone: string): number {
  const asUtc = Date.parse(`${field}Z`);
  if (Number.isNaN(asUtc)) return NaN;
  const offset = (ms: number): number => Date.parse(`${toField(ms, zone)}Z`) - Math.floor(ms / MINUTE) * MINUTE;
  const guess = asUtc - offset(asUtc);
  return asUtc - offset(guess);
}

/** What was typed as the service takes it; null for what is no time, or of a year that has more than four digits. */
export function fieldToIso(field: string, zone: string): string | null {
  const ms = fromField(field, zone);
  const iso = Number.isNaN(ms) ? "" : new Date(ms).toISOString();
  return /^\d{4}-/.test(iso) ? iso : null;
}

/** The day at the farm's clocks, as 2026-11-25: the same in every language. */
export function dayOf(ms: number, zone: string): string {
  return toField(ms, zone).slice(0, LAST_DAY.length);
}
