import { useEffect, useRef, useState } from "preact/hooks";
import * as api from "../api.ts";
import { farmZone } from "../clock.ts";
import { date, formatter, inUnits } from "../format.ts";
import { For } from "../parts/For.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Beside, Happenings } from "../parts/ReportTables.tsx";
import { Absent, FailureNote } from "../parts/States.tsx";
import { say } from "../parts/Status.tsx";
import { keyOf, thingOf, together } from "../reports.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { DailySummary, WeekListed, WeeklyReport } from "../shapes.ts";
import { text } from "../text/text.ts";

const BEFORE = "";
/** Long enough for any browser to have taken a file. */
const REVOKE_AFTER_MS = 60_000;

/** Today in three lines, and any week of the past: of the farm or of one thing, beside another week or thing. */
export function Reports() {
  const weeks = useResource(resources.weeks);
  const today = useResource(resources.today);
  const [week, setWeek] = useState("");
  if (weeks.value === undefined) return <Absent of={weeks} />;
  const shown = weeks.value.find((w) => w.week === week) ?? weeks.value.find((w) => w.over) ?? weeks.value[0];
  const words = text.reports;
  return (
    <div class="page reports-page">
      <Heading title={words.title} />
      {today.value !== undefined && <Today summary={today.value} />}
      {shown === undefined ? (
        <p class="hint">{words.none}</p>
      ) : (
        <>
          <label>
            {words.week}
            <select value={shown.week} onChange={(e) => setWeek(e.currentTarget.value)}>
              {weeks.value.map((w) => (
                <option key={w.week} value={w.week}>
                  {weekName(w)}
                </option>
              ))}
            </select>
          </label>
          <Week key={shown.week} week={shown} weeks={weeks.value} />
        </>
      )}
    </div>
  );
}

function weekName(week: WeekListed): string {
  const day = formatter(farmZone(), undefined, { day: "numeric", month: "short" });
  const days = `${week.week}: ${day.format(Date.parse(week.start))} – ${day.format(Date.parse(week.end) - 1)}`;
  return week.over ? days : `${days}, ${text.reports.soFar}`;
}

function Today({ summary }: { summary: DailySummary }) {
  return (
    <section class="note" aria-labelledby="today">
      <h2 id="today">{text.reports.today}</h2>
      {summary.lines.map((line) => (
        <p key={line}>{inUnits(line)}</p>
      ))}
    </section>
  );
}

function Week({ week, weeks }: { week: WeekListed; weeks: WeekListed[] }) {
  const report = useResource(resources.weekly(week.week));
  const [key, setKey] = useState("");
  const [beside, setBeside] = useState(BEFORE);
  if (report.value === undefined) return <Absent of={report} />;
  const words = text.reports;
  const thing = key === "" ? undefined : thingOf(report.value, key);
  const alike = report.value.things.filter((t) => t.kind === thing?.kind && t.id !== thing.id);
  return (
    <>
      <label>
        {words.subject}
        <select
          value={key}
          onChange={(e) => {
            setKey(e.currentTarget.value);
            setBeside(BEFORE);
          }}
        >
          <option value="">{words.farm}</option>
          {report.value.things.map((t) => (
            <option key={keyOf(t)} value={keyOf(t)}>
              {t.name}
            </option>
          ))}
        </select>
      </label>
      {thing !== undefined && (
        <label>
          {words.beside}
          <select value={beside} onChange={(e) => setBeside(e.currentTarget.value)}>
            <option value={BEFORE}>{words.weekBefore}</option>
            {weeks
              .filter((w) => w.week !== week.week)
              .map((w) => (
                <option key={w.week} value={`week:${w.week}`}>
                  {weekName(w)}
                </option>
              ))}
            {alike.map((t) => (
              <option key={keyOf(t)} value={keyOf(t)}>
                {t.name}
              </option>
            ))}
          </select>
        </label>
      )}
      <Files week={week} subject={key} />
      <Tasks report={report.value} subject={key} />
      {thing === undefined ? (
        <Happenings report={report.value} />
      ) : beside.startsWith("week:") ? (
        <OtherWeek key={beside} report={report.value} subject={key} week={beside.slice("week:".length)} />
      ) : (
        <Beside
          thing={thing}
          other={beside === BEFORE ? null : (thingOf(report.value, beside) ?? null)}
          names={[thing.name, beside === BEFORE ? words.weekBefore : (thingOf(report.value, beside)?.name ?? "")]}
        />
      )}
    </>
  );
}

function OtherWeek({ report, subject, week }: { report: WeeklyReport; subject: string; week: string }) {
  const other = useResource(resources.weekly(week));
  const thing = thingOf(report, subject);
  if (other.value === undefined) return <Absent of={other} />;
  if (thing === undefined) return null;
  return <Beside thing={thing} other={thingOf(other.value, subject) ?? { ...thing, positions: [] }} names={[report.week, week]} />;
}

function Tasks({ report, subject }: { report: WeeklyReport; subject: string }) {
  const tasks = together(report.tasks.filter((t) => subject === "" || `${t.subject_kind}/${t.subject_id}` === subject));
  const words = text.reports;
  return (
    <section aria-labelledby="tasks">
      <h2 id="tasks">{words.tasks}</h2>
      {tasks.length === 0 && <p>{words.noTasks}</p>}
      <ul>
        {tasks.map((task) => (
          <li key={task.words + (task.by ?? "")}>
            <strong>{task.names.join(", ")}:</strong> {inUnits(task.words)} {task.by !== null && words.by(date(Date.parse(`${task.by}T12:00:00Z`), "UTC"))}
          </li>
        ))}
      </ul>
      {report.cautions.map((caution) => (
        <p key={caution} class="caution">
          {inUnits(caution)}
        </p>
      ))}
    </section>
  );
}

/** The report as it is read elsewhere; a week that is over can be computed anew and kept. */
function Files({ week, subject }: { week: WeekListed; subject: string }) {
  const [failure, setFailure] = useState<api.Failure | null>(null);
  const [making, setMaking] = useState(false);
  const note = useRef<HTMLDivElement>(null);
  useEffect(() => {
    if (failure !== null) note.current?.scrollIntoView({ block: "center" });
  }, [failure]);
  const words = text.reports;
  const keep = (): void => {
    setFailure(null);
    api
      .keepWeek(week.week)
      .then(() => {
        touched({ kind: "report", id: week.week });
        say(words.kept(week.week));
      })
      .catch((error: unknown) => setFailure(error instanceof api.Failure ? error : new api.Failure(0, String(error))));
  };
  // Fetched rather than linked to: not every service can make one, and the answer that it can't is for this page.
  const savePdf = async (): Promise<void> => {
    setFailure(null);
    setMaking(true);
    try {
      const pdf = await api.getWeekFile(week.week, "pdf", subject);
      saveAs(pdf, ["underlid", week.week, ...subject.split("/").slice(1)].join("-") + ".pdf");
    } catch (error) {
      if (!(error instanceof api.Failure)) throw error;
      setFailure(error);
    }
    setMaking(false);
  };
  return (
    <>
      <div class="buttons">
        {(["page", "pdf", "csv", "text"] as const).map((form) =>
          form === "pdf" ? (
            <button key={form} type="button" disabled={making} onClick={() => void savePdf()}>
              {making ? words.making : words.forms.pdf}
            </button>
          ) : (
            <a key={form} class="button" href={api.weekFile(week.week, form, subject)} target={form === "page" ? "_blank" : undefined} rel="noopener">
              {words.forms[form]}
            </a>
          ),
        )}
        {week.over && (
          <For role="keeper">
            <button type="button" onClick={keep}>
              {words.anew}
            </button>
          </For>
        )}
      </div>
      <div ref={note}>{failure !== null && <FailureNote failure={failure} />}</div>
      <p class="hint">{week.kept === null ? words.notKept : words.keptOn(date(Date.parse(week.kept), farmZone()))}</p>
    </>
  );
}

/** Hands a file to the browser, to be kept where it keeps what it fetched. */
function saveAs(file: Blob, name: string): void {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), REVOKE_AFTER_MS);
}
