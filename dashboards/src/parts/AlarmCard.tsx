import { useEffect, useRef, useState } from "preact/hooks";
import * as api from "../api.ts";
import { inUnits, reading, sentence, withoutName } from "../format.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import { pathOf } from "../routes.ts";
import type { Alarm, AlarmDetail, Quantity } from "../shapes.ts";
import { text } from "../text/text.ts";
import { When } from "./Age.tsx";
import { Badge } from "./Badge.tsx";
import { Deed, DoneButtons } from "./Deed.tsx";
import { For } from "./For.tsx";
import { Icon } from "./Icon.tsx";
import { FailureNote, Loading } from "./States.tsx";
import { say } from "./Status.tsx";

/** The alarm last acted on, until its card shows the outcome. */
let actedOn: number | null = null;

/**
 * Puts the focus on `target` once the outcome of an action is on screen: the button that was pressed is gone then,
 * and who works by keyboard would be sent back to the start of the page.
 */
export function focusAfterAction(id: number | null, target: HTMLElement | null): void {
  if (actedOn === null || (id !== null && id !== actedOn)) return;
  actedOn = null;
  // Without scrolling, which would put other things under the finger.
  target?.focus({ preventScroll: true });
}

const SHELVE_HOURS = [2, 8, 24, 72] as const;

interface AlarmCardProps {
  alarm: Alarm;
  /** On a subject's own page its name and link are left out. */
  named: boolean;
}

export function AlarmCard({ alarm, named }: AlarmCardProps) {
  const heading = useRef<HTMLHeadingElement>(null);
  useEffect(() => focusAfterAction(alarm.id, heading.current), [alarm.state, alarm.was_false]);
  const over = alarm.state === "returned-unacknowledged" || alarm.state === "normal";
  const resting = alarm.state === "shelved" || alarm.state === "out-of-service";
  const tone = over ? "info" : alarm.priority;
  return (
    <article class={`alarm alarm-${resting ? "resting" : tone} alarm-${alarm.state}`} id={`alarm-${alarm.id}`}>
      <header>
        {over || resting ? <span class="badge badge-quiet">{sentence(text.alarmState[alarm.state])}</span> : <Badge need={alarm.priority} />}
        <span class="alarm-state">
          {!over && !resting && text.alarmState[alarm.state]}
          {alarm.forecast && !over && <> · {text.alarms.forecast}</>}
        </span>
        <span class="alarm-when">{alarm.raised !== null && <When at={alarm.raised} />}</span>
      </header>
      <h3 ref={heading} tabIndex={-1}>
        {named ? <NamedHeadline alarm={alarm} /> : withoutName(inUnits(alarm.headline), alarm.subject_name)}
      </h3>
      {!over && <Deed alarm={alarm} />}
      {!over && alarm.advice !== "" && <p class="advice">{inUnits(alarm.advice)}</p>}
      {!over && alarm.caution !== "" && (
        <p class="caution">
          <strong>{text.alarms.caution}:</strong> {inUnits(alarm.caution)}
        </p>
      )}
      {resting && (
        <p class="alarm-rest">
          {alarm.state === "shelved" && alarm.shelved_until !== null && (
            <>
              {text.alarmState.shelved} → <When at={alarm.shelved_until} />
            </>
          )}{" "}
          {alarm.reason}
        </p>
      )}
      {alarm.was_false && <p class="alarm-rest">{text.alarms.wasFalse}</p>}
      <For role="keeper">
        <Actions alarm={alarm} />
      </For>
      <Behind alarm={alarm} />
    </article>
  );
}

/** The headline with its subject's name, once, as the way to its page. */
function NamedHeadline({ alarm }: { alarm: Alarm }) {
  const words = inUnits(alarm.headline);
  const link = <Link to={pathOf(alarm.subject)}>{alarm.subject_name}</Link>;
  // "Elder stake has said nothing for 4 days", or "Alder: top too dry"
  if (words.startsWith(`${alarm.subject_name} `)) return <>{link}{words.slice(alarm.subject_name.length)}</>;
  return (
    <>
      {link}: {withoutName(words, alarm.subject_name)}
    </>
  );
}

type Asking = "shelve" | "out-of-service" | null;

/** What can be done with an alarm in its present state. */
function Actions({ alarm }: { alarm: Alarm }) {
  const [asking, setAsking] = useState<Asking>(null);
  const [reason, setReason] = useState("");
  const [failure, setFailure] = useState<api.Failure>();
  const [busy, setBusy] = useState(false);

  const act = async (request: () => Promise<AlarmDetail>, words?: string): Promise<void> => {
    setBusy(true);
    try {
      const after = await request();
      actedOn = alarm.id;
      setFailure(undefined);
      setAsking(null);
      setReason("");
      say(`${inUnits(after.headline)}: ${words ?? text.alarmState[after.state]}`);
      touched({ kind: "alarm", id: String(alarm.id) }, { kind: alarm.subject.kind, id: alarm.subject.id });
    } catch (error) {
      if (error instanceof api.Failure) setFailure(error);
      else throw error;
    } finally {
      setBusy(false);
    }
  };

  // A reason that is needed is typed at once; one that is not would only bring up a phone's keyboard.
  const why = useRef<HTMLInputElement>(null);
  useEffect(() => {
    if (asking === "out-of-service") why.current?.focus();
  }, [asking]);

  const canAcknowledge = alarm.state === "unacknowledged" || alarm.state === "returned-unacknowledged";
  const standing = canAcknowledge || alarm.state === "acknowledged";
  const ask = (what: Asking): void => setAsking(asking === what ? null : what);
  return (
    <div class="alarm-actions">
      <div class="buttons">
        {canAcknowledge && (
          <button
            type="button"
            class="button-main"
            disabled={busy}
            aria-label={text.alarms.acknowledgeLabel(`${alarm.subject_name}, ${alarm.headline}`)}
            onClick={() => void act(() => api.acknowledgeAlarm(alarm.id))}
          >
            {text.alarms.acknowledge}
          </button>
        )}
        <DoneButtons alarm={alarm} />
        {standing && (
          <button type="button" aria-expanded={asking === "shelve"} onClick={() => ask("shelve")}>
            {text.alarms.shelve}
          </button>
        )}
        {standing && (
          <button type="button" aria-expanded={asking === "out-of-service"} onClick={() => ask("out-of-service")}>
            {text.alarms.outOfService}
          </button>
        )}
        <button
          type="button"
          class="quiet"
          disabled={busy}
          aria-label={(alarm.was_false ? text.alarms.notFalseLabel : text.alarms.falseLabel)(`${alarm.subject_name}, ${withoutName(inUnits(alarm.headline), alarm.subject_name)}`)}
          onClick={() => void act(() => api.markAlarm(alarm.id, !alarm.was_false), alarm.was_false ? text.alarms.notFalse : text.alarms.wasFalse)}
        >
          {alarm.was_false ? text.alarms.notFalse : text.alarms.markFalse}
        </button>
        {alarm.state === "shelved" && (
          <button type="button" disabled={busy} onClick={() => void act(() => api.unshelveAlarm(alarm.id))}>
            {text.alarms.unshelve}
          </button>
        )}
        {alarm.state === "out-of-service" && (
          <button type="button" disabled={busy} onClick={() => void act(() => api.returnAlarmToService(alarm.id))}>
            {text.alarms.inService}
          </button>
        )}
      </div>
      {asking !== null && (
        <form
          class="asking"
          onSubmit={(event) => {
            event.preventDefault();
            if (asking === "out-of-service") void act(() => api.takeAlarmOutOfService(alarm.id, reason));
          }}
        >
          <label>
            {asking === "shelve" ? text.alarms.reason : text.alarms.outOfServiceWhy}
            <input
              ref={why}
              type="text"
              maxLength={400}
              required={asking === "out-of-service"}
              value={reason}
              onInput={(e) => setReason(e.currentTarget.value)}
            />
          </label>
          {asking === "shelve" ? (
            <div class="buttons" role="group" aria-label={text.alarms.shelveFor}>
              <span class="buttons-lead">{text.alarms.shelveFor}</span>
              {SHELVE_HOURS.map((hours) => (
                <button key={hours} type="button" disabled={busy} onClick={() => void act(() => api.shelveAlarm(alarm.id, hours, reason))}>
                  {text.alarms.shelveHours(hours)}
                </button>
              ))}
            </div>
          ) : (
            <div class="buttons">
              <button type="submit" class="button-main" disabled={busy}>
                {text.alarms.outOfServiceDo}
              </button>
            </div>
          )}
        </form>
      )}
      {failure !== undefined && <FailureNote failure={failure} />}
    </div>
  );
}

/** The readings that decided it and what became of it, fetched when opened. */
function Behind({ alarm }: { alarm: Alarm }) {
  const [open, setOpen] = useState(false);
  return (
    <details onToggle={(event) => setOpen(event.currentTarget.open)}>
      <summary>
        <Icon name="down" />
        {text.alarms.behind}
      </summary>
      {open && <BehindOpen id={alarm.id} />}
    </details>
  );
}

function BehindOpen({ id }: { id: number }) {
  const detail = useResource(resources.alarm(id));
  const probes = useResource(resources.probes);
  if (detail.value === undefined)
    return detail.failure === undefined ? <Loading /> : <FailureNote failure={detail.failure} again={detail.again} />;
  const { evidence, history, limit, unit } = detail.value;
  const channelOf = (channel: number): { words: string; quantity: Quantity } => {
    for (const probe of probes.value ?? []) {
      const found = probe.channels.find((c) => c.id === channel);
      if (found === undefined) continue;
      const where = found.placement === null ? "" : `${text.position[found.placement.position]} `;
      return { words: `${where}${text.quantity[found.quantity]} (${probe.name})`, quantity: found.quantity };
    }
    return { words: text.alarms.channel(channel), quantity: "other" };
  };
  return (
    <div class="behind">
      {evidence.length > 0 && (
        <>
          <h4>{text.alarms.evidence}</h4>
          {limit !== null && <p>{sentence(text.alarms.limit(reading(limit, unit === "Cel" ? "temperature" : "other", unit)))}</p>}
          <ul>
            {[...evidence]
              .sort((a, b) => b.at.localeCompare(a.at))
              .map((e) => {
                const channel = channelOf(e.channel);
                return (
                  <li key={`${e.channel}${e.at}`}>
                    <When at={e.at} /> {channel.words}{" "}
                    <strong>{reading(e.value, channel.quantity, channel.quantity === "temperature" ? "Cel" : unit)}</strong>
                  </li>
                );
              })}
          </ul>
        </>
      )}
      <h4>{text.alarms.history}</h4>
      <ol>
        {[...history].reverse().map((step) => (
          <li key={`${step.at}${step.cause}${step.after}`}>
            <When at={step.at} /> <strong>{text.alarms.cause[step.cause] ?? step.cause}</strong>
            {step.by !== "" && ` ${text.alarms.by(step.by)}`}
            {step.headline !== "" && <> – {inUnits(step.headline)}</>}
          </li>
        ))}
      </ol>
    </div>
  );
}
