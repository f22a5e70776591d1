/** Times as a field for day and time takes them: the clocks of the farm, without a zone. Pure. */

const MINUTE = 60_000;

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
  return `${of("year")}-${of("month")}-${of("day")}T${of("hour")}:${of("minute")}`;
}

/** What was typed as milliseconds; NaN for what is no time. An hour that summer time leaves out is the one after it. */
export function fromField(field: string, zone: string): number {
  const asUtc = Date.parse(`${field}Z`);
  if (Number.isNaN(asUtc)) return NaN;
  const offset = (ms: number): number => Date.parse(`${toField(ms, zone)}Z`) - Math.floor(ms / MINUTE) * MINUTE;
  const guess = asUtc - offset(asUtc);
  return asUtc - offset(guess);
}
