/** What an alarm asks for: logged done in one tap, and told once it is. */

import { useState } from "preact/hooks";
import { Failure } from "../api.ts";
import { useTicking } from "../clock.ts";
import { age, amount } from "../format.ts";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { answered, tasksOf } from "../round/round.ts";
import type { Alarm, LogEntry, NewLogEntry } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Icon } from "./Icon.tsx";
import { describe, writeLog } from "./LogForm.tsx";
import { FailureNote } from "./States.tsx";

const NONE: LogEntry[] = [];

function useAnswer(alarm: Alarm): ReturnType<typeof answered> {
  return answered(alarm, useResource(resources.recentLog).value ?? NONE);
}

/** That what was advised has been done, and whether the probe has spoken since. */
export function Deed({ alarm }: { alarm: Alarm }) {
  const answer = useAnswer(alarm);
  const ago = useTicking((now) => (answer === null ? "" : text.age.ago(age(Date.parse(answer.entry.at), now))));
  if (answer === null) return null;
  const words = answer.spoken ? text.alarms.deedStill : text.alarms.deed;
  return (
    <p class="deed">
      <Icon name="fine" /> {words(describe(answer.entry), ago)}
    </p>
  );
}

/** Buttons that log what is advised; none while the probe has yet to say what became of it. */
export function DoneButtons({ alarm }: { alarm: Alarm }) {
  const answer = useAnswer(alarm);
  const [stage, setStage] = useState<"open" | "busy" | "sent">("open");
  const [failure, setFailure] = useState<Failure>();
  if (stage === "sent" || answer?.spoken === false || alarm.state === "returned-unacknowledged" || alarm.state === "normal") return null;
  const log = (entry: NewLogEntry): void => {
    setStage("busy");
    writeLog(entry, [], () => setStage("open")).then(
      () => setStage("sent"),
      (error: unknown) => {
        setStage("open");
        if (error instanceof Failure) setFailure(error);
      },
    );
  };
  return (
    <>
      {tasksOf(alarm.subject, alarm, alarm).map(({ key, kind, entry }) => (
        <button key={key} type="button" class="done" disabled={stage === "busy"} onClick={() => log(entry)}>
          <Icon name={kind} />
          {text.bin.done}: {text.logKind[kind].toLowerCase()}
          {entry.amount_l !== undefined && ` ${amount(entry.amount_l, "l")}`}
          {entry.amount_kg !== undefined && ` ${amount(entry.amount_kg, "kg")}`}
        </button>
      ))}
      {failure !== undefined && <FailureNote failure={failure} />}
    </>
  );
}
