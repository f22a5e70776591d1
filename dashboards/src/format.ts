/** Numbers, ages, times and spans as this viewer reads them. The time is always an argument. */

import type { Position, PositionState, Quantity } from "./shapes.ts";
import { text } from "./text/text.ts";
import { locale as ownLocale, viewer } from "./viewer.ts";

const MINUTE = 60_000;
const HOUR = 60 * MINUTE;
const DAY = 24 * HOUR;

/** A space that no line breaks at: a number stays with its unit. */
const TIE = "\u00a0";

const UNIT_SIGNS: Record<string, string> = { "%RH": "%", "%EL": "%", count: "", "kg/m3": "kg/m³" };

/** A difference of temperatures, which has no offset; no unit of the service. */
export const DIFFERENCE = "Cel-difference";
const LB_PER_KG = 1 / 0.45359237;
const GAL_PER_L = 1 / 3.785411784;

/** By how much a stored unit is multiplied for this viewer, and what is added then. */
function conversion(unit: string): { factor: number; plus: number } {
  const fahrenheit = viewer.temperature === "F";
  if (unit === "Cel" && fahrenheit) return { factor: 1.8, plus: 32 };
  if ((unit === "Cel/h" || unit === DIFFERENCE) && fahrenheit) return { factor: 1.8, plus: 0 };
  if (unit === "kg" && viewer.mass === "lb") return { factor: LB_PER_KG, plus: 0 };
  if (unit === "l" && viewer.volume === "gal") return { factor: GAL_PER_L, plus: 0 };
  return { factor: 1, plus: 0 };
}

/** A stored value in the viewer's unit. */
export function toShown(value: number, unit: string): number {
  const { factor, plus } = conversion(unit);
  return factor === 1 ? value : value * factor + plus;
}

/** A value in the viewer's unit as it is stored. */
export function fromShown(value: number, unit: string): number {
  const { factor, plus } = conversion(unit);
  return factor === 1 ? value : (value - plus) / factor;
}

/** Digits after the point that a probe of this kind can stand for. */
function digits(quantity: Quantity): number {
  if (quantity === "temperature") return 1;
  return quantity === "battery" ? 2 : 0;
}

export function number(value: number, decimals: number): string {
  const rounded = value.toFixed(decimals);
  // A rounded minus nought is nought.
  return (Number(rounded) === 0 ? (0).toFixed(decimals) : rounded).replace("-", "−").replace(".", text.decimal);
}

export function unitSign(unit: string): string {
  if (unit === "Cel" || unit === DIFFERENCE) return `°${viewer.temperature}`;
  if (unit === "Cel/h") return `°${viewer.temperature} ${text.perHour}`;
  if (unit === "1/h") return text.perHour;
  if (unit === "kg") return viewer.mass;
  if (unit === "l") return viewer.volume;
  return UNIT_SIGNS[unit] ?? unit;
}

/** A value with its sign, such as "21.4 °C" or "58 %". */
export function reading(value: number, quantity: Quantity, unit: string): string {
  const sign = unitSign(unit);
  return number(toShown(value, unit), unit === "%EL" ? 0 : digits(quantity)) + (sign === "" ? "" : `${TIE}${sign}`);
}

/** The short form inside a drawing: "21.4°", "58 %". */
export function shortReading(value: number, quantity: Quantity, unit: string): string {
  return quantity === "temperature" ? `${number(toShown(value, "Cel"), 1)}°` : reading(value, quantity, unit);
}

/** A mass or a volume of water with the digits a kitchen scale or a watering can has. */
export function amount(value: number, unit: "kg" | "l"): string {
  const shown = toShown(value, unit);
  return `${String(Number(shown.toFixed(shown < 1 ? 2 : 1))).replace(".", text.decimal)}${TIE}${unitSign(unit)}`;
}

/** A sentence of the service with its degrees, kilograms and litres in the viewer's units. */
export function inUnits(words: string): string {
  const shown = words.replace(/([−-]?\d+(?:\.\d+)?) (°C|kg|L)(?![\w²³/])/g, (whole, digits: string, sign: string) => {
    const unit = sign === "°C" ? "Cel" : sign === "kg" ? "kg" : "l";
    if (conversion(unit).factor === 1) return whole;
    const shown = toShown(Number(digits.replace("−", "-")), unit);
    const decimals = unit === "Cel" || shown === 0 || Math.abs(shown) >= 10 ? 0 : Math.abs(shown) < 1 ? 2 : 1;
    return `${number(shown, decimals)} ${unitSign(unit)}`;
  });
  return shown.replace(/(\d) (?=(?:°[CF]|%|kg|lb|L|gal|cm|h|min|d|V|days?|hours?|weeks?)(?![\w²³/]))/g, `$1${TIE}`);
}

/** The name of a limit; a rule's delays are named after the rule. */
export function limitName(name: string): string {
  const [, rule = "", which] = /^(.+)_(on|off)_delay_min$/.exec(name) ?? [];
  if (which === "on" || which === "off") return text.delay[which](text.rule[rule] ?? rule.replaceAll("_", " "));
  return text.limit[name] ?? name.replaceAll("_", " ");
}

/** A deadband in degrees is a difference. */
export function limitUnit(limit: { name: string; unit: string }): string {
  return limit.unit === "Cel" && limit.name.includes("deadband") ? DIFFERENCE : limit.unit;
}

/** A limit's value in the viewer's unit, without the digits that conversion makes up. */
export function limitNumber(limit: { name: string; unit: string; value: number }): number {
  return Number(toShown(limit.value, limitUnit(limit)).toPrecision(6));
}

export function limitValue(limit: { name: string; unit: string; value: number }): string {
  return `${String(limitNumber(limit)).replace("-", "−").replace(".", text.decimal)}${TIE}${unitSign(limitUnit(limit))}`;
}

/** How long ago `at` was at `now`: "now", "40 s", "3 min", "5 h", "2 d". */
export function age(at: number, now: number): string {
  const passed = now - at;
  if (passed < 10_000) return text.age.now;
  if (passed < MINUTE) return text.age.seconds(Math.floor(passed / 1000));
  return span(passed / HOUR, Math.floor);
}

/** A span of hours in its largest fitting unit: "20 min", "9 h", "3 d". */
export function span(hours: number, round: (n: number) => number = Math.round): string {
  if (round(hours * 60) < 60) return text.age.minutes(round(hours * 60));
  if (round(hours) < 48) return text.age.hours(round(hours));
  return text.age.days(round(hours / 24));
}

/** When something is to be expected: "in about 9 h", "any moment". */
export function within(etaH: number): string {
  return etaH < 1 / 6 ? text.within.now : text.within.about(span(etaH));
}

/** Hours and minutes in the farm's time zone; with the day where it is not today's. */
export function time(at: number, now: number, zone: string, locale?: string): string {
  const clock = formatter(zone, locale, { hour: "2-digit", minute: "2-digit" });
  const day = formatter(zone, locale, { year: "numeric", month: "2-digit", day: "2-digit" });
  if (day.format(at) === day.format(now)) return clock.format(at);
  const short: Intl.DateTimeFormatOptions = { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" };
  return formatter(zone, locale, Math.abs(now - at) < 6 * DAY ? { ...short, weekday: "short" } : short).format(at);
}

export function date(at: number, zone: string, locale?: string): string {
  return formatter(zone, locale, { day: "numeric", month: "long", year: "numeric" }).format(at);
}

const CLOCKS = { "24": { hourCycle: "h23" }, "12": { hourCycle: "h12" } } as const;
const formatters = new Map<string, Intl.DateTimeFormat>();

/** Making a formatter is slow, so each is made once. */
export function formatter(zone: string, locale: string | undefined, wanted: Intl.DateTimeFormatOptions): Intl.DateTimeFormat {
  const options = wanted.hour === undefined || viewer.clock === "locale" ? wanted : { ...wanted, ...CLOCKS[viewer.clock] };
  const language = locale ?? ownLocale();
  const key = `${language} ${zone} ${JSON.stringify(options)}`;
  let found = formatters.get(key);
  if (found === undefined) {
    found = new Intl.DateTimeFormat(language, { ...options, timeZone: zone });
    formatters.set(key, found);
  }
  return found;
}

/** The word for a value beyond its limit, or null where nothing is amiss. */
export function offLimit(state: PositionState["state"], quantity: Quantity): string | null {
  if (state === "ok") return null;
  if (state === "stale") return text.offLimit.stale;
  return text.offLimit[quantity === "temperature" || quantity === "moisture" ? quantity : "other"][state];
}

/** What a forecast says: "top too dry in about 9 h". */
export function crossing(position: Position, quantity: Quantity, tooLow: boolean, etaH: number): string {
  const where = text.position[position];
  const words = text.bins.crossing;
  if (quantity === "moisture") return text.bins.next((tooLow ? words.moistureLow : words.moistureHigh)(where), within(etaH));
  if (quantity === "temperature")
    return text.bins.next((tooLow ? words.temperatureLow : words.temperatureHigh)(where), within(etaH));
  return text.bins.next(words.other(where), within(etaH));
}

/** A position's forecast with its interval: "Top too dry in about 9 h (7 h to 12 h)". */
export function forecastWords(p: PositionState): string {
  if (p.forecast === null) return "";
  const { limit, eta_h, low_h, high_h } = p.forecast;
  const interval = high_h === null ? text.within.orLater(span(low_h)) : text.within.between(span(low_h), span(high_h));
  return `${sentence(crossing(p.position, p.quantity, limit < p.value, eta_h))} (${interval})`;
}

/** The address form of a name: "Back Alder 2" gives "back-alder-2". Empty where nothing is left. */
export function slug(name: string): string {
  return name
    .normalize("NFKD")
    .replace(/[\u0300-\u036f]/g, "")
    .toLowerCase()
    .replace(/[^a-z0-9]+/g, "-")
    .replace(/^-+|-+$/g, "")
    .slice(0, 63)
    .replace(/-+$/, "");
}

/** An id from a name that none of the list has yet. */
export function freeId(name: string, taken: readonly { id: string }[]): string {
  const base = slug(name);
  let id = base;
  for (let n = 2; taken.some((item) => item.id === id); n++) id = `${base}-${n}`;
  return id;
}

/** Words without the name they start with, for where the name stands already: "Alder: top too dry" gives "Top too dry". */
export function withoutName(words: string, name: string): string {
  const start = `${name}: `;
  return sentence(words.startsWith(start) ? words.slice(start.length) : words);
}

/** A species as it is written: "Eisenia fetida". */
export function speciesName(species: string): string {
  return sentence(species.replaceAll("-", " "));
}

/** A first letter for the start of a line. */
export function sentence(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1);
}
