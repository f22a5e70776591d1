import { useRef } from "preact/hooks";
import uPlot from "uplot";
import { formatter, fromShown, toShown } from "../format.ts";
import { text } from "../text/text.ts";
import { type Columns, laneRange, laneScale, nearestFilled, type Range, ticks } from "./columns.ts";
import { axisFont, type Colours, usePlot } from "./plot.ts";

/** What a label and the space about it take up. */
const LABEL_PX = 15;

export interface ChartLine {
  label: string;
  lane: string;
  /** The name of a custom property with the line's colour. */
  colour: string;
  dash: number[];
  shown: boolean;
}

export interface ChartLimit {
  lane: string;
  side: "low" | "high";
  value: number;
  label: string;
}

/** When a line will cross a limit: likely `at`, between `lowAt` and `highAt` (null: perhaps never). */
export interface ChartForecast {
  lane: string;
  colour: string;
  from: number;
  value: number;
  limit: number;
  at: number;
  lowAt: number;
  highAt: number | null;
  label: string;
}

export interface Lane {
  name: string;
  /** The unit its values are in; they are drawn in it, and only the axis speaks the viewer's. */
  stored: string;
  sign: string;
  leastSpan: number;
}

/** Where the plot lies inside the chart, in CSS pixels. */
export interface PlotBox {
  left: number;
  width: number;
}

export interface ChartProps {
  columns: Columns;
  lines: ChartLine[];
  lanes: Lane[];
  limits: ChartLimit[];
  forecasts: ChartForecast[];
  range: { from: number; to: number };
  zone: string;
  describe: string;
  onCursor: (values: (number | null)[] | null, at: number | null) => void;
  onZoom: (from: number, to: number) => void;
  onBox: (box: PlotBox) => void;
}

const AXIS_PX = 46;

/** A chart of stacked lanes over one axis of time. Redrawn whole when what it shows changes: that takes a few ms. */
export function Chart(props: ChartProps) {
  const latest = useRef(props);
  latest.current = props;
  const host = usePlot(
    (element, size, colours) => new uPlot(options(props, size, colours, latest), dataOf(props), element),
    [props.columns, props.lines, props.lanes, props.limits, props.forecasts, props.range, props.zone],
  );
  return <div class="chart" ref={host} role="img" aria-label={props.describe} />;
}

function dataOf({ columns }: ChartProps): uPlot.AlignedData {
  return [columns.time, ...columns.lines.flatMap((line) => [line.mean, line.low, line.high])] as uPlot.AlignedData;
}

function options(
  props: ChartProps,
  size: { width: number; height: number },
  colour: Colours,
  latest: { current: ChartProps },
): uPlot.Options {
  const { lanes, lines, limits, columns, range, zone } = props;
  const ranges = new Map<string, Range>();
  for (const lane of lanes) {
    const inLane = columns.lines.filter((_, i) => lines[i]?.lane === lane.name && lines[i].shown);
    const values = limits.filter((l) => l.lane === lane.name).map((l) => l.value);
    ranges.set(lane.name, laneRange(inLane.flatMap((l) => [l.low, l.high]), values, lane.leastSpan));
  }
  const rangeOf = (lane: string): Range => ranges.get(lane) ?? { low: 0, high: 1 };
  const font = axisFont();

  const scales: uPlot.Scales = { x: { time: true, range: () => [range.from, range.to] } };
  lanes.forEach((lane, i) => {
    const scale = laneScale(rangeOf(lane.name), i, lanes.length);
    scales[lane.name] = { range: () => [scale.low, scale.high] };
  });

  return {
    ...size,
    ms: 1,
    tzDate: (t) => uPlot.tzDate(new Date(t), zone),
    legend: { show: false },
    padding: [8, lanes.length > 1 ? 0 : 28, 0, 0],
    scales,
    axes: [
      {
        stroke: colour("--ink-soft"),
        font,
        grid: { stroke: colour("--chart-grid"), width: 1 },
        ticks: { show: false },
        space: 64,
        values: (_, splits, __, ___, step) => timeLabels(splits, step, zone),
      },
      ...lanes.map((lane, i): uPlot.Axis => ({
        scale: lane.name,
        side: i === 1 ? 1 : 3,
        size: AXIS_PX,
        stroke: colour("--ink-soft"),
        font,
        grid: { stroke: colour("--chart-grid"), width: 1 },
        ticks: { show: false },
        splits: () => shownTicks(rangeOf(lane.name), lane.stored, lanes.length > 1 ? 4 : 6),
        values: (_, splits) => splits.map((v, k) => shownTick(v, lane.stored) + (k === splits.length - 1 ? ` ${lane.sign}` : "")),
      })),
    ],
    series: [{}, ...lines.flatMap((line) => seriesOf(line, colour))],
    bands: lines.flatMap((line, i) =>
      line.shown ? [{ series: [3 * i + 3, 3 * i + 2] as [number, number], fill: `${colour(line.colour)}38` }] : [],
    ),
    cursor: {
      y: false,
      drag: { x: true, y: false, setScale: false },
      points: { size: 9 },
      dataIdx: (u, seriesIdx, closest) =>
        seriesIdx === 0 ? closest : (nearestFilled(u.data[seriesIdx] as ArrayLike<number | null>, closest) ?? closest),
    },
    hooks: {
      ready: [(u) => followTouch(u), (u) => tellBox(u, latest)],
      setSize: [(u) => tellBox(u, latest)],
      drawClear: [(u) => drawLimits(u, props, rangeOf, colour, font)],
      draw: [(u) => drawForecasts(u, props, colour, font)],
      setCursor: [(u) => tellCursor(u, latest)],
      setSelect: [
        (u) => {
          if (u.select.width < 8) return;
          const from = u.posToVal(u.select.left, "x");
          const to = u.posToVal(u.select.left + u.select.width, "x");
          u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          latest.current.onZoom(from, to);
        },
      ],
    },
  };
}

function seriesOf(line: ChartLine, colour: Colours): uPlot.Series[] {
  const edge: uPlot.Series = { scale: line.lane, show: line.shown, stroke: "transparent", width: 0, points: { show: false } };
  const mean: uPlot.Series = {
    ...edge,
    stroke: colour(line.colour),
    width: 2,
    dash: line.dash,
    points: { show: false, fill: colour(line.colour) },
  };
  return [mean, edge, edge];
}

/** Ticks that are round in the viewer's unit, where they lie in the stored one. */
function shownTicks(range: Range, unit: string, most: number): number[] {
  const shown = { low: toShown(range.low, unit), high: toShown(range.high, unit) };
  return ticks(shown, most).map((tick) => fromShown(tick, unit));
}

function shownTick(value: number, unit: string): string {
  return String(Number(toShown(value, unit).toPrecision(6))).replace("-", "−").replace(".", text.decimal);
}

/** Hours within a day; the day where a step falls on midnight or spans days. */
function timeLabels(splits: number[], step: number, zone: string): string[] {
  const clock = formatter(zone, undefined, { hour: "numeric", minute: "2-digit" });
  const day = formatter(zone, undefined, { day: "numeric", month: "short" });
  const hour = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: zone });
  return splits.map((t) => (step >= 24 * 3_600_000 || hour.format(t) === "00:00" ? day.format(t) : clock.format(t)));
}

function tellBox(u: uPlot, latest: { current: ChartProps }): void {
  const dpr = devicePixelRatio;
  latest.current.onBox({ left: u.bbox.left / dpr, width: u.bbox.width / dpr });
}

function tellCursor(u: uPlot, latest: { current: ChartProps }): void {
  const row = u.cursor.idx;
  if (row == null || (u.cursor.left ?? -1) < 0) {
    latest.current.onCursor(null, null);
    return;
  }
  const values = latest.current.lines.map((_, i) => {
    const found = u.cursor.idxs?.[3 * i + 1];
    const value = found == null ? null : u.data[3 * i + 1]?.[found];
    return typeof value === "number" ? value : null;
  });
  latest.current.onCursor(values, u.data[0][row] ?? null);
}

/** A finger drawn across moves the crosshair; up and down it still scrolls the page (touch-action in the style). */
function followTouch(u: uPlot): void {
  u.over.addEventListener("pointermove", (event) => {
    if (event.pointerType !== "touch") return;
    const box = u.over.getBoundingClientRect();
    u.setCursor({ left: event.clientX - box.left, top: event.clientY - box.top });
  });
}

function drawLimits(u: uPlot, props: ChartProps, rangeOf: (lane: string) => Range, colour: Colours, font: string): void {
  const { ctx, bbox } = u;
  const dpr = devicePixelRatio;
  ctx.save();
  ctx.font = font.replace("12px", `${11 * dpr}px`);
  for (const limit of props.limits) {
    const range = rangeOf(limit.lane);
    if (limit.value <= range.low || limit.value >= range.high) continue;
    const at = u.valToPos(limit.value, limit.lane, true);
    const edge = u.valToPos(limit.side === "low" ? range.low : range.high, limit.lane, true);
    const tone = colour(`--limit-${limit.lane}-${limit.side}`);
    ctx.fillStyle = `${tone}26`;
    ctx.fillRect(bbox.left, Math.min(at, edge), bbox.width, Math.abs(edge - at));
    ctx.strokeStyle = tone;
    ctx.lineWidth = dpr;
    ctx.setLineDash([5 * dpr, 4 * dpr]);
    ctx.beginPath();
    ctx.moveTo(bbox.left, at);
    ctx.lineTo(bbox.left + bbox.width, at);
    ctx.stroke();
    // Beyond the limit, unless the strip there is too narrow for the words.
    const isBeneath = (limit.side === "low") === Math.abs(edge - at) >= LABEL_PX * dpr;
    ctx.textBaseline = isBeneath ? "top" : "bottom";
    const label = [limit.label, bbox.left + 6 * dpr, at + (isBeneath ? 3 : -3) * dpr] as const;
    // Lines of the grid behind the words would strike them out.
    ctx.setLineDash([]);
    ctx.lineWidth = 3 * dpr;
    ctx.lineJoin = "round";
    ctx.strokeStyle = colour("--surface");
    ctx.strokeText(...label);
    ctx.fillStyle = tone;
    ctx.fillText(...label);
  }
  ctx.restore();
}

/** A dotted way to the limit in the fan of what is likely, and on the limit the span in which it will be crossed. */
function drawForecasts(u: uPlot, props: ChartProps, colour: Colours, font: string): void {
  const { ctx, bbox } = u;
  const dpr = devicePixelRatio;
  const edge = bbox.left + bbox.width;
  const x = (t: number): number => Math.min(edge, u.valToPos(t, "x", true));
  const line = (points: [number, number][]): void => {
    ctx.beginPath();
    points.forEach(([px, py], i) => (i === 0 ? ctx.moveTo(px, py) : ctx.lineTo(px, py)));
  };
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.font = font.replace("12px", `${11 * dpr}px`);
  for (const f of props.forecasts) {
    const y = u.valToPos(f.limit, f.lane, true);
    const start: [number, number] = [x(f.from), u.valToPos(f.value, f.lane, true)];
    const end: [number, number] = f.highAt === null ? [edge, start[1]] : [x(f.highAt), y];
    const tone = colour(f.colour);
    ctx.fillStyle = `${tone}30`;
    line([start, [x(f.lowAt), y], [f.highAt === null ? edge : end[0], y], end]);
    ctx.fill();
    ctx.strokeStyle = tone;
    ctx.lineWidth = 2 * dpr;
    ctx.setLineDash([2 * dpr, 4 * dpr]);
    line([start, [u.valToPos(f.at, "x", true), y]]);
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.lineWidth = 6 * dpr;
    line([[x(f.lowAt), y], [f.highAt === null ? edge : end[0], y]]);
    ctx.stroke();
    if (f.at > props.range.to) continue;
    ctx.fillStyle = colour("--ink");
    ctx.textAlign = "right";
    ctx.textBaseline = f.limit < f.value ? "top" : "bottom";
    ctx.fillText(f.label, edge - 4 * dpr, y + (f.limit < f.value ? 6 : -6) * dpr);
  }
  ctx.restore();
}
