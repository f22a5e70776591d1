/** The points of a calibration while they are being gathered: some wait a day for the oven. Pure. */

import type { Channel, NewPoint, Probe } from "../shapes.ts";

/** A point taken from the probe; its moisture is known at once, or once the sample has been dried. */
export type DraftPoint = { raw: number; temp_c: number | null; at: string } & (
  | { how: "given"; pct_wb: number }
  | { how: "oven"; tare_g: number; before_g: number; after_g: number | null }
);

/** At or below this the water about a probe is ice, which it reads as dry bedding. */
export const FROZEN_C = 0.5;

/** What the service needs of a point, or null while its sample is in the oven. */
export function complete(point: DraftPoint): NewPoint | null {
  const base = point.temp_c === null ? { raw: point.raw } : { raw: point.raw, temp_c: point.temp_c };
  if (point.how === "given") return { ...base, pct_wb: point.pct_wb };
  const { before_g, after_g, tare_g } = point;
  return after_g === null ? null : { ...base, oven: { before_g, after_g, tare_g } };
}

export function completed(points: readonly DraftPoint[]): NewPoint[] {
  return points.flatMap((point) => complete(point) ?? []);
}

/** The kept points of this device, or none where what was kept can't be read. */
export function parseDraft(kept: string | null): DraftPoint[] {
  try {
    const said: unknown = JSON.parse(kept ?? "[]");
    return Array.isArray(said) ? said.filter(isPoint) : [];
  } catch {
    return [];
  }
}

function isPoint(value: unknown): value is DraftPoint {
  if (typeof value !== "object" || value === null || !("raw" in value) || typeof value.raw !== "number") return false;
  if (!("at" in value) || typeof value.at !== "string" || !("temp_c" in value) || !("how" in value)) return false;
  if (value.how === "given") return "pct_wb" in value && typeof value.pct_wb === "number";
  return value.how === "oven" && "before_g" in value && "tare_g" in value && "after_g" in value;
}

/** The probe's temperature, where it has one thermometer and so no doubt which is meant. */
export function temperatureOf(probe: Probe): number | null {
  const thermometers = probe.channels.filter((c) => c.quantity === "temperature");
  return thermometers.length === 1 ? (thermometers[0]?.latest?.value ?? null) : null;
}

/** Per bin its raw moisture channels that nobody has calibrated. */
export function uncalibrated(probes: readonly Probe[]): ReadonlyMap<string, Channel[]> {
  const found = new Map<string, Channel[]>();
  for (const probe of probes) {
    for (const channel of probe.channels) {
      if (channel.quantity !== "moisture-raw" || channel.calibrated || channel.placement?.subject.kind !== "bin") continue;
      const bin = channel.placement.subject.id;
      found.set(bin, [...(found.get(bin) ?? []), channel]);
    }
  }
  return found;
}

/** Where a curve reads a raw value, by the straight line between its nearest points; null outside of it. */
export function readOff(curve: { raw: readonly number[]; pct_wb: readonly number[] }, raw: number): number | null {
  for (let i = 1; i < curve.raw.length; i++) {
    const [x0, x1, y0, y1] = [curve.raw[i - 1], curve.raw[i], curve.pct_wb[i - 1], curve.pct_wb[i]];
    if (x0 === undefined || x1 === undefined || y0 === undefined || y1 === undefined) return null;
    if (raw >= x0 && raw <= x1) return x1 === x0 ? y0 : y0 + ((raw - x0) / (x1 - x0)) * (y1 - y0);
  }
  return null;
}
