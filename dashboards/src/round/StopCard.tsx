import { useState } from "preact/hooks";
import { Failure } from "../api.ts";
import { amount, inUnits, withoutName } from "../format.ts";
import { drop, useQueue } from "../offline/queue.ts";
import { Age } from "../parts/Age.tsx";
import { Badge } from "../parts/Badge.tsx";
import { For, useMay } from "../parts/For.tsx";
import { Icon } from "../parts/Icon.tsx";
import { describe, LogForm, writeLog } from "../parts/LogForm.tsx";
import { FailureNote } from "../parts/States.tsx";
import { Link } from "../router.tsx";
import { pathOf } from "../routes.ts";
import { text } from "../text/text.ts";
import type { Stop, Task } from "./round.ts";
import type { useTicks } from "./ticks.ts";

interface StopCardProps {
  stop: Stop;
  place: string;
  ticks: ReturnType<typeof useTicks>;
}

/** One lid: why, what to do and how much, what to look for. */
export function StopCard({ stop, place, ticks }: StopCardProps) {
  const [more, setMore] = useState(false);
  const look = [...new Set(stop.rules.length > 0 ? stop.rules : [stop.need])].flatMap((rule) => text.round.look[rule] ?? []);
  const cautions = [...new Set(stop.advice.map((a) => a.caution).filter((c) => c !== ""))];
  return (
    <li class={`stop stop-${stop.need}`}>
      <div class="stop-head">
        <h3>
          <Link to={pathOf(stop.subject)}>{stop.name}</Link>
        </h3>
        <span class="where">{place}</span>
        <Badge need={stop.need} />
      </div>
      {stop.why.map((words) => (
        <p key={words} class="stop-why">
          {withoutName(inUnits(words), stop.name)}
        </p>
      ))}
      {stop.advice.map((a) => (
        <p key={a.text}>{inUnits(a.text)}</p>
      ))}
      <ul class="stop-tasks">
        {stop.tasks.map((task) => (
          <li key={task.key}>
            <TaskBox task={task} name={stop.name} ticks={ticks} />
          </li>
        ))}
      </ul>
      {look.length > 0 && (
        <p class="stop-look">
          <Icon name="look" /> {text.round.lookFor(look.join(" "))}
        </p>
      )}
      {cautions.map((words) => (
        <p key={words} class="stop-caution">
          <strong>{text.alarms.caution}:</strong> {inUnits(words)}
        </p>
      ))}
      {stop.lastFed !== null && (
        <p class="hint">
          {describe(stop.lastFed)}, <Age at={stop.lastFed.at} ago />
          {stop.nextCorner !== null && `. ${text.round.nextCorner(text.logForm.corners[stop.nextCorner] ?? "")}`}
        </p>
      )}
      <div class="no-print">
        <For role="keeper">
          <button type="button" class="quiet" aria-expanded={more} aria-label={`${text.round.more}: ${stop.name}`} onClick={() => setMore(!more)}>
            {text.round.more}
          </button>
          {more && <LogForm subject={stop.subject} advised={{}} />}
        </For>
      </div>
    </li>
  );
}

/** Ticking logs it done. It can be unticked while the entry has not left this device, and taken back a while longer. */
function TaskBox({ task, name, ticks }: { task: Task; name: string; ticks: StopCardProps["ticks"] }) {
  const queue = useQueue();
  const may = useMay("keeper");
  /** What was just pressed, until it is done. */
  const [wanted, setWanted] = useState<boolean | null>(null);
  const [failure, setFailure] = useState<Failure>();
  const ticked = ticks.ticks.find((t) => t.task === task.key);
  const waits = queue.find((q) => q.entry.key === ticked?.entry && q.trouble === null);
  const words = wordsOf(task);
  const toggle = async (): Promise<void> => {
    setWanted(ticked === undefined);
    try {
      if (ticked === undefined) ticks.tick({ task: task.key, entry: await writeLog(task.entry, [], () => ticks.untick(task.key)), words: `${name}: ${words}` });
      else if (waits !== undefined) {
        await drop(waits.n);
        ticks.untick(task.key);
      }
      setFailure(undefined);
    } catch (error) {
      if (!(error instanceof Failure)) throw error;
      setFailure(error);
    } finally {
      setWanted(null);
    }
  };
  return (
    <>
      <label class="task">
        <input type="checkbox" checked={wanted ?? ticked !== undefined} disabled={may !== true || wanted !== null || (ticked !== undefined && waits === undefined)} onChange={() => void toggle()} />
        <Icon name={task.kind} />
        <span>
          {words}
          <span class="hidden"> ({name})</span>
          {waits !== undefined && <small> {text.round.waits}</small>}
        </span>
      </label>
      {failure !== undefined && <FailureNote failure={failure} />}
    </>
  );
}

function wordsOf(task: Task): string {
  const { amount_l, amount_kg } = task.entry;
  const words = text.round.task[task.kind] ?? text.logKind[task.kind];
  if (amount_l !== undefined) return `${words}: ${amount(amount_l, "l")}`;
  return amount_kg === undefined ? words : `${words}: ${amount(amount_kg, "kg")}`;
}
