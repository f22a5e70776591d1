import { farmNow, farmZone } from "../clock.ts";
import { sentence, shortReading, time } from "../format.ts";
import type { PositionState } from "../shapes.ts";
import { text } from "../text/text.ts";
import { type Columns, tableRows } from "./columns.ts";

const ROWS = 60;

/** The same values as the chart, for reading out and for copying; newest first. */
export function ChartTable({ name, columns, positions, shown }: { name: string; columns: Columns; positions: PositionState[]; shown: boolean[] }) {
  const rows = tableRows(columns.time, columns.lines.map((l) => l.mean), ROWS).reverse();
  const now = farmNow();
  const said = (row: number | undefined): string => time(columns.time[row ?? 0] ?? now, now, farmZone());
  return (
    <div class="table-frame" tabIndex={0} role="group" aria-label={text.chart.table}>
      <table>
        <caption>
          <span>{text.chart.caption(name, said(rows.at(-1)), said(rows[0]))}</span>
        </caption>
        <thead>
          <tr>
            <th scope="col">{text.chart.time}</th>
            {positions.map(
              (p, k) =>
                shown[k] && (
                  <th key={p.channel} scope="col">
                    {sentence(text.position[p.position])} {text.quantity[p.quantity]}
                  </th>
                ),
            )}
          </tr>
        </thead>
        <tbody>
          {rows.map((row) => (
            <tr key={row}>
              <th scope="row">{said(row)}</th>
              {positions.map((p, k) => shown[k] && <td key={p.channel}>{cell(p, columns.lines[k], row)}</td>)}
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}

function cell(p: PositionState, line: Columns["lines"][number] | undefined, row: number): string {
  const [low, mean, high] = [line?.low[row], line?.mean[row], line?.high[row]];
  if (typeof mean !== "number" || typeof low !== "number" || typeof high !== "number") return "–";
  const show = (v: number): string => shortReading(v, p.quantity, p.unit);
  return low === high ? show(mean) : `${show(mean)} (${show(low)} … ${show(high)})`;
}
