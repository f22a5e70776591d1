import { useMemo, useState } from "preact/hooks";
import { COMPARED_POINTS } from "../api.ts";
import { farmNow, farmZone } from "../clock.ts";
import { DIFFERENCE, number, shortReading, time, toShown, unitSign } from "../format.ts";
import type { Comparison, Readings } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Chart, type ChartLine, type Lane } from "./Chart.tsx";
import { columns as columnsOf } from "./columns.ts";

const LEAST_SPAN = { temperature: 5, moisture: 10, humidity: 10 } as Record<string, number>;
const SWATCHES = ["top", "feed", "pocket"] as const;
const DASHES = [[], [9, 4], []];
const NOTHING: never[] = [];

/** The unit of a difference: of degrees it has no offset. */
export function differenceUnit(unit: string): string {
  return unit === "Cel" ? DIFFERENCE : unit;
}

/** A difference with its sign, as in "+0.4 °C". */
export function difference(value: number, unit: string): string {
  const shown = number(toShown(value, differenceUnit(unit)), Math.abs(value) < 0.995 ? 2 : 1);
  return `${value > 0 ? "+" : ""}${shown} ${unitSign(differenceUnit(unit))}`;
}

/** A channel and its twin over each other, and below them their difference. */
export function TwinChart({ name, found }: { name: string; found: Comparison }) {
  const [cursor, setCursor] = useState<{ values: (number | null)[]; at: number } | null>(null);
  const range = useMemo(() => {
    const times = found.time.map((t) => Date.parse(t));
    return { from: times[0] ?? 0, to: times.at(-1) ?? 1 };
  }, [found]);
  const columns = useMemo(
    () => columnsOf([found.own, found.other, found.difference].map((values) => asReadings(found, values)), (range.to - range.from) / COMPARED_POINTS),
    [found],
  );
  const names = [name, found.twin_name, text.twin.difference];
  const lines = useMemo<ChartLine[]>(
    () => SWATCHES.map((swatch, i) => ({ label: names[i] ?? "", lane: i === 2 ? "difference" : "both", colour: `--line-${swatch}`, dash: DASHES[i] ?? [], shown: true })),
    [names.join()],
  );
  const lanes = useMemo<Lane[]>(() => {
    const sign = found.unit === "Cel" ? "°" : "%";
    const leastSpan = LEAST_SPAN[found.quantity] ?? 10;
    return [
      { name: "both", stored: found.unit, sign, leastSpan },
      { name: "difference", stored: differenceUnit(found.unit), sign, leastSpan: leastSpan / 5 },
    ];
  }, [found.unit, found.quantity]);
  const told = cursor?.values ?? [found.own, found.other, found.difference].map((values) => values.findLast((v) => v !== null) ?? null);
  return (
    <>
      <ul class="twin-legend">
        {names.map((label, i) => {
          const value = told[i];
          return (
            <li key={label}>
              <svg viewBox="0 0 22 8" class={`swatch swatch-${SWATCHES[i]}`} aria-hidden="true">
                <path d="M0 4h22" stroke-dasharray={(DASHES[i] ?? []).join(" ")} />
              </svg>
              {label}{" "}
              <span class="figure">
                {value == null ? "–" : i === 2 ? difference(value, found.unit) : shortReading(value, found.quantity, found.unit)}
              </span>
            </li>
          );
        })}
        <li class="legend-at">{cursor === null ? text.twin.last : time(cursor.at, farmNow(), farmZone())}</li>
      </ul>
      <div class="chart-frame">
        <Chart
          columns={columns}
          lines={lines}
          lanes={lanes}
          limits={NOTHING}
          forecasts={NOTHING}
          range={range}
          zone={farmZone()}
          describe={text.twin.describe(name, found.twin_name)}
          onCursor={(values, at) => setCursor(values === null || at === null ? null : { values, at })}
          onZoom={() => undefined}
          onBox={() => undefined}
        />
      </div>
    </>
  );
}

function asReadings(found: Comparison, values: (number | null)[]): Readings {
  const known = values.flatMap((value, i) => (value === null ? [] : [{ value, at: found.time[i] ?? "" }]));
  const mean = known.map((k) => k.value);
  return {
    channel: found.channel,
    unit: found.unit,
    quantity: found.quantity,
    time: known.map((k) => k.at),
    low: mean,
    mean,
    high: mean,
    count: mean.map(() => 1),
  };
}
