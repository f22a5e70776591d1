import uPlot from "uplot";
import type { CalibrationPoint, Curve } from "../shapes.ts";
import { text } from "../text/text.ts";
import { axisFont, type Colours, usePlot } from "./plot.ts";

/** Nineteen of twenty readings lie within so many standard deviations. */
const DEVIATIONS = 2;
const AXIS_PX = 44;

interface CurveChartProps {
  curve: Curve;
  points: CalibrationPoint[];
  /** What the probe says now. */
  raw: number | null;
}

/** Moisture over raw counts: the curve, how far off it may be, the points it rests on, and where the probe is now. */
export function CurveChart({ curve, points, raw }: CurveChartProps) {
  const host = usePlot(
    (element, size, colours) => new uPlot(options(size, points, raw, colours), dataOf(curve), element),
    [curve, points, raw],
  );
  return <div class="chart" ref={host} role="img" aria-label={text.calibration.describe} />;
}

function dataOf({ raw, pct_wb, sd_pct }: Curve): uPlot.AlignedData {
  const edge = (sign: number): number[] =>
    pct_wb.map((value, i) => Math.min(100, Math.max(0, value + sign * DEVIATIONS * (sd_pct[i] ?? 0))));
  return [raw, pct_wb, edge(-1), edge(1)];
}

function options(
  size: { width: number; height: number },
  points: CalibrationPoint[],
  raw: number | null,
  colour: Colours,
): uPlot.Options {
  const font = axisFont();
  const axis: uPlot.Axis = {
    stroke: colour("--ink-soft"),
    font,
    grid: { stroke: colour("--chart-grid"), width: 1 },
    ticks: { show: false },
  };
  const edge: uPlot.Series = { scale: "y", stroke: "transparent", width: 0, points: { show: false } };
  return {
    ...size,
    legend: { show: false },
    padding: [10, 16, 0, 0],
    scales: { x: { time: false }, y: { range: (_, low, high) => [Math.max(0, low - 3), Math.min(100, high + 3)] } },
    axes: [
      { ...axis, space: 60, values: (_, splits) => splits.map(String) },
      { ...axis, scale: "y", size: AXIS_PX, values: (_, splits) => splits.map((v, i) => (i === splits.length - 1 ? `${v} %` : String(v))) },
    ],
    series: [{}, { ...edge, stroke: colour("--water"), width: 2 }, edge, edge],
    bands: [{ series: [3, 2], fill: `${colour("--water")}38` }],
    cursor: { show: false },
    hooks: { draw: [(u) => drawPoints(u, points, colour), (u) => drawNow(u, raw, colour, font)] },
  };
}

function drawPoints(u: uPlot, points: CalibrationPoint[], colour: Colours): void {
  const { ctx } = u;
  const dpr = devicePixelRatio;
  ctx.save();
  ctx.strokeStyle = ctx.fillStyle = colour("--ink");
  ctx.lineWidth = 1.5 * dpr;
  for (const point of points) {
    const x = u.valToPos(point.raw, "x", true);
    const y = (pct: number): number => u.valToPos(pct, "y", true);
    ctx.beginPath();
    ctx.moveTo(x, y(point.pct_wb - DEVIATIONS * point.sd_pct));
    ctx.lineTo(x, y(point.pct_wb + DEVIATIONS * point.sd_pct));
    ctx.stroke();
    ctx.beginPath();
    ctx.arc(x, y(point.pct_wb), 4 * dpr, 0, 2 * Math.PI);
    ctx.fill();
  }
  ctx.restore();
}

/** A dashed line where the probe is now. */
function drawNow(u: uPlot, raw: number | null, colour: Colours, font: string): void {
  const { ctx, bbox } = u;
  const dpr = devicePixelRatio;
  const x = raw === null ? Number.NaN : u.valToPos(raw, "x", true);
  if (!(x >= bbox.left && x <= bbox.left + bbox.width)) return;
  ctx.save();
  ctx.strokeStyle = ctx.fillStyle = colour("--moss");
  ctx.lineWidth = 1.5 * dpr;
  ctx.setLineDash([5 * dpr, 4 * dpr]);
  ctx.beginPath();
  ctx.moveTo(x, bbox.top);
  ctx.lineTo(x, bbox.top + bbox.height);
  ctx.stroke();
  ctx.font = font.replace("12px", `${11 * dpr}px`);
  const rightHalf = x > bbox.left + bbox.width / 2;
  ctx.textAlign = rightHalf ? "right" : "left";
  ctx.textBaseline = "top";
  ctx.fillText(text.calibration.nowMark, x + (rightHalf ? -5 : 5) * dpr, bbox.top + 3 * dpr);
  ctx.restore();
}
