/** What the pages of a bin and of a feed store have in common. */

import type { ComponentChildren } from "preact";
import { useMemo } from "preact/hooks";
import { SubjectChart } from "../charts/SubjectChart.tsx";
import type { ChartMark } from "../charts/Marks.tsx";
import { inUnits } from "../format.ts";
import { useQueue } from "../offline/queue.ts";
import { isUnknown, leadingAlarm, type Need } from "../need.ts";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import type { AlarmDetail, LogEntry, PositionState, Subject } from "../shapes.ts";
import { text } from "../text/text.ts";
import { When } from "./Age.tsx";
import { AlarmCard } from "./AlarmCard.tsx";
import { For } from "./For.tsx";
import { Icon } from "./Icon.tsx";
import { describe, describeNew, LogForm } from "./LogForm.tsx";
import { LogList } from "./LogList.tsx";
import { FailureNote, Loading } from "./States.tsx";
import { WaitingPhotos } from "./WaitingPhotos.tsx";

interface SubjectBodyProps {
  subject: Subject;
  name: string;
  positions: PositionState[];
  news: string;
  need: Need;
  /** How it is now, before all else. */
  now: ComponentChildren;
  /** What is known of it besides, after all else. */
  children?: ComponentChildren;
}

/** How a subject is, what to do now, its course, its log and its alarms. */
export function SubjectBody({ subject, name, positions, news, need, now, children }: SubjectBodyProps) {
  const alarms = useResource(resources.alarmsOf(subject));
  const log = useResource(resources.logOf(subject));
  const marks = useMemo(() => marksOf(log.value ?? [], alarms.value ?? []), [log.value, alarms.value]);
  const standing = (alarms.value ?? []).filter((a) => a.state !== "normal");
  const past = (alarms.value ?? []).filter((a) => a.state === "normal");
  const advised = advisedOf(standing);
  return (
    <>
      <div class="subject-now">
      {now}
      <section class="do-now" aria-labelledby="do-now">
        <h2 id="do-now">{text.bin.now}</h2>
        {alarms.value === undefined && (alarms.failure === undefined ? <Loading /> : <FailureNote failure={alarms.failure} again={alarms.again} />)}
        {alarms.value !== undefined && standing.length === 0 && <Idle need={need} />}
        {standing.map((alarm) => (
          <AlarmCard key={alarm.id} alarm={alarm} named={false} />
        ))}
        <For role="keeper" only={text.may.log}>
          <h3 class="log-title">{text.logForm.title}</h3>
          <LogForm subject={subject} advised={advised} />
        </For>
      </section>
      </div>
      <div class="subject-rest">
      <section class="course" aria-labelledby="course">
        <h2 id="course">{text.bin.chart}</h2>
        <SubjectChart name={name} positions={positions} marks={marks} news={news} />
      </section>
      <section class="log" aria-labelledby="log">
        <h2 id="log">{text.bin.log}</h2>
        {log.failure !== undefined && log.failure.status !== 0 && <FailureNote failure={log.failure} again={log.again} />}
        <NotSent subject={subject} entries={log.value ?? []} />
        {log.value?.length === 0 && <p>{text.bin.logNone}</p>}
        <LogList subject={subject} entries={log.value ?? []} />
      </section>
      {past.length > 0 && (
        <section class="past-alarms" aria-labelledby="past-alarms">
          <h2 id="past-alarms">{text.bin.alarms}</h2>
          {past.map((alarm) => (
            <AlarmCard key={alarm.id} alarm={alarm} named={false} />
          ))}
        </section>
      )}
      {children}
      </div>
    </>
  );
}

/** What is said where no alarm stands: not the same of a bin that is well, of one near a limit, and of one nobody watches. */
function Idle({ need }: { need: Need }) {
  if (need === "silent" || isUnknown(need)) return <p>{text.bin.noTelling}</p>;
  if (need === "look") return <p>{text.bin.lookIn}</p>;
  return <p class="nothing">{text.bin.nothing}</p>;
}

const NO_PHOTOS: readonly Blob[] = [];

/** What was noted here and waits for the service; of an entry that it has already, the photos. */
function NotSent({ subject, entries }: { subject: Subject; entries: readonly LogEntry[] }) {
  const waiting = useQueue().filter((q) => q.trouble === null && q.late && q.entry.subject.kind === subject.kind && q.entry.subject.id === subject.id);
  if (waiting.length === 0) return null;
  return (
    <ul class="log-list">
      {waiting.map((q) => (
        <li key={q.n}>
          <Icon name={q.entry.kind} />
          <span>
            {describeNew(q.entry)}
            {!entries.some((entry) => entry.key === q.entry.key) && <em>{text.round.waits}</em>}
          </span>
          <When at={q.entry.at} />
          <WaitingPhotos photos={q.photos ?? NO_PHOTOS} of={describeNew(q.entry)} />
        </li>
      ))}
    </ul>
  );
}

function advisedOf(alarms: AlarmDetail[]): { kg?: number; l?: number } {
  const leading = leadingAlarm(alarms.filter((a) => Object.keys(a.amounts).length > 0));
  const amounts = alarms.find((a) => a.id === leading?.id)?.amounts ?? {};
  const advised: { kg?: number; l?: number } = {};
  if (amounts["water_l"] !== undefined) advised.l = Number(amounts["water_l"].toFixed(1));
  if (amounts["feed_kg"] !== undefined) advised.kg = Number(amounts["feed_kg"].toFixed(2));
  return advised;
}

function marksOf(log: LogEntry[], alarms: AlarmDetail[]): ChartMark[] {
  const done = log.map((entry): ChartMark => ({
    key: `log${entry.id}`,
    at: Date.parse(entry.at),
    icon: entry.kind,
    alarm: false,
    title: describe(entry),
    detail: entry.note,
  }));
  const raised = alarms.flatMap((alarm) =>
    alarm.history
      .filter((step) => step.cause === "raised" || step.cause === "worsened")
      .map((step): ChartMark => ({
        key: `alarm${alarm.id}${step.at}`,
        at: Date.parse(step.at),
        icon: "alarms",
        alarm: true,
        title: inUnits(step.headline || alarm.headline),
        detail: `(${text.chart.raised}, ${text.alarms.cause[step.cause] ?? step.cause})`,
      })),
  );
  return [...done, ...raised];
}
