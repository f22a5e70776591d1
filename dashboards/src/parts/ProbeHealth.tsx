import { useTicking } from "../clock.ts";
import { inUnits, number, reading, sentence, span } from "../format.ts";
import type { Probe, ProbeHealth as Health } from "../shapes.ts";
import { text } from "../text/text.ts";
import { When } from "./Age.tsx";
import { Icon } from "./Icon.tsx";

const HOUR = 3_600_000;
const LONG_H = 2 * 365 * 24;

/** How a placed probe is: what is doubtful first, then its rhythm, gaps, battery and signal in a word each. */
export function ProbeHealth({ probe, health }: { probe: Probe; health: Health }) {
  return (
    <>
      {health.doubts.length > 0 && (
        <ul class="doubts" aria-label={text.health.doubts}>
          {health.doubts.map((doubt) => (
            <li key={doubt.channel}>
              <Icon name="look" />
              <p>
                <strong>
                  {nameOf(probe, doubt.channel)}: {inUnits(doubt.words)}.
                </strong>{" "}
                {inUnits(doubt.advice)}
              </p>
            </li>
          ))}
        </ul>
      )}
      <dl class="probe-health">
        <Row name={text.health.heard} amiss={health.rhythm.state !== "on-time"}>
          <Rhythm rhythm={health.rhythm} />
        </Row>
        <Row name={text.health.gaps} amiss={health.gaps.length > 0}>
          {gapWords(health)}
        </Row>
        {health.battery !== null && (
          <Row name={text.health.battery} amiss={health.battery.state === "low"}>
            {batteryWords(health.battery)}
          </Row>
        )}
        {health.signal !== null && (
          <Row name={text.health.signal} amiss={health.signal.state === "hardly-any"}>
            {text.health.signals[health.signal.state]} ({number(health.signal.dbm, 0)} dBm)
          </Row>
        )}
      </dl>
    </>
  );
}

function Row({ name, amiss, children }: { name: string; amiss: boolean; children: preact.ComponentChildren }) {
  return (
    <div>
      <dt>{name}</dt>
      <dd class={amiss ? "amiss" : ""}>{children}</dd>
    </div>
  );
}

function Rhythm({ rhythm }: { rhythm: Health["rhythm"] }) {
  const expected = useTicking((now) => (rhythm.due !== null && Date.parse(rhythm.due) < now ? text.health.due : text.health.next));
  if (rhythm.state === "silent") return <>{text.health.silent(span(rhythm.patience_h))}</>;
  if (rhythm.interval_min === null || rhythm.due === null) return <>{text.health.tooFew}</>;
  const every = text.health.every(span(rhythm.interval_min / 60));
  return (
    <>
      {every}; {rhythm.state === "late" ? text.health.late : <>{expected} <When at={rhythm.due} /></>}
    </>
  );
}

function gapWords({ gaps }: Health): string {
  if (gaps.length === 0) return text.health.gapsNone;
  const hours = gaps.reduce((sum, gap) => sum + (Date.parse(gap.end) - Date.parse(gap.start)) / HOUR, 0);
  return text.health.gapsSome(gaps.length, span(hours));
}

function batteryWords({ state, value, unit, left_h }: NonNullable<Health["battery"]>): string {
  const told = reading(value, "battery", unit);
  if (state === "unknown") return text.health.batteryUnknown;
  let left = text.health.leftUnknown;
  if (left_h !== null) left = left_h > LONG_H ? text.health.leftLong : text.health.left(span(left_h));
  return [told, ...(state === "low" ? [text.health.batteryLow] : []), left].join(", ");
}

function nameOf(probe: Probe, channel: number): string {
  return sentence(probe.channels.find((c) => c.id === channel)?.name ?? "");
}
