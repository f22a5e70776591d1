import { useMemo, useState } from "preact/hooks";
import { farmNow, farmZone } from "../clock.ts";
import { forecastWords, limitValue, sentence, shortReading, time, within } from "../format.ts";
import { FailureNote } from "../parts/States.tsx";
import type { Position, PositionState, Quantity } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Chart, type ChartForecast, type ChartLimit, type ChartLine, type Lane, type PlotBox } from "./Chart.tsx";
import { ChartTable } from "./ChartTable.tsx";
import { columns as columnsOf } from "./columns.ts";
import { type ChartMark, Marks } from "./Marks.tsx";
import { useReadings } from "./readings.ts";
import { endsNow, forecastRoom, moved, SPANS, type View } from "./span.ts";

const HOUR = 3_600_000;
const LANES: Lane[] = [
  { name: "moisture", stored: "%", sign: "%", leastSpan: 10 },
  { name: "temperature", stored: "Cel", sign: "°", leastSpan: 5 },
];
const DASH: Record<Position, number[]> = { top: [], core: [9, 4], base: [3, 3], pocket: [], feed: [], air: [12, 3, 2, 3] };

/** A channel that is not drawn is not asked for either. */
const UNASKED = { time: [], low: [], mean: [], high: [] };

interface SubjectChartProps {
  name: string;
  positions: PositionState[];
  marks: ChartMark[];
  /** The time of the subject's condition: forecasts count from it, and a new one brings new readings. */
  news: string;
}

/** The course of a subject's channels: choose the span, look closer, read values, open marks. */
export function SubjectChart({ name, positions, marks, news }: SubjectChartProps) {
  const [view, setView] = useState<View>({ span: "24h", end: null });
  const [chosen, setChosen] = useState<ReadonlyMap<number, boolean>>(new Map());
  const [asTable, setAsTable] = useState(false);
  const [cursor, setCursor] = useState<{ values: (number | null)[]; at: number } | null>(null);
  const [box, setBox] = useState<PlotBox>({ left: 0, width: 1 });

  const drawn = positions.filter((p) => LANES.some((lane) => lane.name === p.quantity));
  const isShown = (p: PositionState): boolean => chosen.get(p.channel) ?? p.position !== "air";
  const identity = drawn.map((p) => `${p.channel}${p.position}${p.low}${p.high}${isShown(p)}`).join();
  const { shown, failure } = useReadings(drawn.filter(isShown).map((p) => p.channel), view, news);

  const channels = drawn.map((p) => p.channel).join();
  const columns = useMemo(() => columnsOf(drawn.map((p) => shown?.series.get(p.channel) ?? UNASKED), shown?.bucket ?? 0), [shown, channels]);
  const lines = useMemo<ChartLine[]>(
    () =>
      drawn.map((p) => ({
        label: `${text.position[p.position]} ${text.quantity[p.quantity]}`,
        lane: p.quantity,
        colour: `--line-${p.position}`,
        dash: DASH[p.position],
        shown: isShown(p),
      })),
    [identity],
  );
  const lanes = useMemo(() => LANES.filter((lane) => lines.some((l) => l.lane === lane.name && l.shown)), [lines]);
  const limits = useMemo(() => limitsOf(drawn.filter(isShown)), [identity]);
  const expected = drawn.filter(isShown).filter((p) => p.forecast !== null);
  const forecasts = useMemo(
    () => (endsNow(view) ? expected.flatMap((p) => forecastOf(p, Date.parse(news))) : []),
    [shown, identity, view],
  );
  const range = useMemo(() => {
    if (shown === undefined) return { from: 0, to: 1 };
    const room = endsNow(view) ? forecastRoom(shown.to - shown.from, forecasts.map((f) => ({ at: f.at - shown.to, high: (f.highAt ?? f.at) - shown.to }))) : 0;
    return { from: shown.from, to: shown.to + room };
  }, [shown, forecasts]);

  if (drawn.length === 0) return <p>{text.chart.noChannels}</p>;
  const wanted = drawn.filter(isShown);
  const empty = shown !== undefined && columns.time.length === 0 && wanted.length > 0 && wanted.every((p) => shown.series.has(p.channel));
  const toggle = (p: PositionState): void => setChosen(new Map(chosen).set(p.channel, !isShown(p)));
  return (
    <div class="subject-chart">
      <div class="chart-tools">
        <div class="spans" role="group" aria-label={text.chart.range}>
          {SPANS.map((span) => (
            <button
              key={span}
              type="button"
              aria-pressed={"span" in view && view.span === span}
              onClick={() => setView({ span, end: null })}
            >
              {text.chart.ranges[span]}
            </button>
          ))}
        </div>
        <button type="button" class="quiet" onClick={() => setView(moved(view, -1, farmNow()))}>
          {text.chart.earlier}
        </button>
        <button type="button" class="quiet" disabled={endsNow(view)} onClick={() => setView(moved(view, 1, farmNow()))}>
          {text.chart.later}
        </button>
        {!endsNow(view) && (
          <button type="button" class="quiet" onClick={() => setView({ span: "span" in view ? view.span : "24h", end: null })}>
            {text.chart.toNow}
          </button>
        )}
        <button type="button" class="quiet" aria-pressed={asTable} onClick={() => setAsTable(!asTable)}>
          {text.chart.table}
        </button>
      </div>
      {failure !== undefined && <FailureNote failure={failure} />}
      {!asTable && (
        <Legend
          positions={drawn}
          isShown={isShown}
          toggle={toggle}
          values={cursor?.values ?? null}
          at={cursor === null ? null : time(cursor.at, farmNow(), farmZone())}
        />
      )}
      {empty && <p class="chart-empty">{text.chart.none}</p>}
      {!empty && asTable && shown !== undefined && <ChartTable name={name} columns={columns} positions={drawn} shown={drawn.map(isShown)} />}
      {!empty && !asTable && (
        <>
          <div class={lanes.length > 1 ? "chart-frame" : "chart-frame chart-frame-single"}>
            {shown !== undefined && (
              <Chart
                columns={columns}
                lines={lines}
                lanes={lanes}
                limits={limits}
                forecasts={forecasts}
                range={range}
                zone={farmZone()}
                describe={text.chart.describe(name)}
                onCursor={(values, at) => setCursor(values === null || at === null ? null : { values, at })}
                onZoom={(from, to) => setView({ from, to })}
                onBox={setBox}
              />
            )}
          </div>
          {expected.map((p) => (
            <p key={p.channel} class="forecast-words">
              <svg viewBox="0 0 22 8" class={`swatch swatch-${p.position}`} aria-hidden="true">
                <path d="M0 4h22" stroke-dasharray="2 4" />
              </svg>
              {forecastWords(p)}
            </p>
          ))}
          <Marks marks={marks} range={range} box={box} />
        </>
      )}
    </div>
  );
}

interface LegendProps {
  positions: PositionState[];
  isShown: (p: PositionState) => boolean;
  toggle: (p: PositionState) => void;
  values: (number | null)[] | null;
  at: string | null;
}

/** Shows which line is which, their values at the crosshair (else the latest), and turns lines on and off. */
function Legend({ positions, isShown, toggle, values, at }: LegendProps) {
  return (
    <div class="legend">
      {LANES.map((lane) => {
        const here = positions.filter((p) => p.quantity === lane.name);
        return (
          here.length > 0 && (
            <div key={lane.name} class="legend-lane" role="group" aria-label={text.quantity[lane.name as Quantity]}>
              <span class="legend-name">{sentence(text.quantity[lane.name as Quantity])}</span>
              <div class="legend-lines">
              {here.map((p) => {
                const value = values === null ? p.value : values[positions.indexOf(p)];
                return (
                  <button key={p.channel} type="button" class="legend-line" aria-pressed={isShown(p)} onClick={() => toggle(p)}>
                    <svg viewBox="0 0 22 8" class={`swatch swatch-${p.position}`} aria-hidden="true">
                      <path d="M0 4h22" stroke-dasharray={DASH[p.position].join(" ")} />
                    </svg>
                    {text.position[p.position]}
                    <span class="figure">{value == null ? "–" : shortReading(value, p.quantity, p.unit)}</span>
                  </button>
                );
              })}
              </div>
            </div>
          )
        );
      })}
      <p class="legend-at">{at ?? text.chart.drag}</p>
    </div>
  );
}

/** The distinct limits; one that holds for some positions only says for which. */
function limitsOf(positions: PositionState[]): ChartLimit[] {
  const found = new Map<string, { limit: ChartLimit; unit: string; where: Position[] }>();
  for (const p of positions) {
    for (const side of ["low", "high"] as const) {
      const value = p[side];
      if (value === null) continue;
      const key = `${p.quantity}${side}${value}`;
      const entry = found.get(key) ?? { limit: { lane: p.quantity, side, value, label: "" }, unit: p.unit, where: [] };
      entry.where.push(p.position);
      found.set(key, entry);
    }
  }
  const all = [...found.values()];
  return all.map(({ limit, unit, where }) => {
    const words = text.chart.too[limit.lane === "moisture" || limit.lane === "temperature" ? limit.lane : "other"];
    const alone = all.filter((o) => o.limit.lane === limit.lane && o.limit.side === limit.side).length === 1;
    const what = `${words[limit.side]} ${limit.side === "low" ? "<" : ">"} ${limitValue({ name: "", value: limit.value, unit })}`;
    return { ...limit, label: alone ? what : `${where.map((p) => text.position[p]).join(", ")}: ${what}` };
  });
}

/** Hours of a forecast count from the time of the condition, its line starts at the latest reading. */
function forecastOf(p: PositionState, at: number): ChartForecast[] {
  if (p.forecast === null) return [];
  const { limit, eta_h, low_h, high_h } = p.forecast;
  return [
    {
      lane: p.quantity,
      colour: `--line-${p.position}`,
      from: Date.parse(p.at),
      value: p.value,
      limit,
      at: at + eta_h * HOUR,
      lowAt: at + low_h * HOUR,
      highAt: high_h === null ? null : at + high_h * HOUR,
      label: within(eta_h),
    },
  ];
}
