import { useState } from "preact/hooks";
import { When } from "../parts/Age.tsx";
import { Icon, type IconName } from "../parts/Icon.tsx";
import { text } from "../text/text.ts";
import type { PlotBox } from "./Chart.tsx";
import { gathered } from "./columns.ts";

/** Something that happened: a log entry or an alarm raised. */
export interface ChartMark {
  key: string;
  at: number;
  icon: IconName;
  alarm: boolean;
  title: string;
  detail: string;
}

const APART_PX = 30;

/** What was done and what was raised, under the chart where it happened; each opens. */
export function Marks({ marks, range, box }: { marks: ChartMark[]; range: { from: number; to: number }; box: PlotBox }) {
  const [open, setOpen] = useState<string | null>(null);
  const groups = gathered(marks, range, box.width, APART_PX);
  if (groups.length === 0) return null;
  const opened = groups.find((group) => group[0]?.key === open);
  return (
    <div class="marks">
      <div class="marks-strip" role="group" aria-label={text.chart.marksHint}>
        {groups.map((group) => {
          const first = group[0];
          if (first === undefined) return null;
          const share = (first.at - range.from) / (range.to - range.from);
          const alarm = group.some((m) => m.alarm);
          const label = group.length === 1 ? first.title : text.chart.markCount(group.length);
          return (
            <button
              key={first.key}
              type="button"
              class={alarm ? "mark mark-alarm" : "mark"}
              style={{ left: `${box.left + share * box.width}px` }}
              aria-expanded={open === first.key}
              aria-label={label}
              onClick={() => setOpen(open === first.key ? null : first.key)}
            >
              {group.length === 1 ? <Icon name={first.icon} /> : group.length}
            </button>
          );
        })}
      </div>
      {opened !== undefined && (
        <ul class="marks-open">
          {opened.map((m) => (
            <li key={m.key}>
              <Icon name={m.icon} />
              <span>
                <When at={new Date(m.at).toISOString()} /> <strong>{m.title}</strong> {m.detail}
              </span>
            </li>
          ))}
        </ul>
      )}
    </div>
  );
}
