import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { difference, TwinChart } from "../charts/TwinChart.tsx";
import { inUnits } from "../format.ts";
import { When } from "../parts/Age.tsx";
import { For } from "../parts/For.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Icon } from "../parts/Icon.tsx";
import { Absent, FailureNote, Loading, NotFound } from "../parts/States.tsx";
import { say } from "../parts/Status.tsx";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import { type Channel, COMPARED, type Probe } from "../shapes.ts";
import { text } from "../text/text.ts";

/** Compares a probe's channels each with a twin: which one, both lines, and whether they part. */
export function Twins({ id }: { id: string }) {
  const probes = useResource(resources.probes);
  const [chosen, setChosen] = useState<number>();
  if (probes.value === undefined) return <Absent of={probes} />;
  const probe = probes.value.find((p) => p.id === id);
  if (probe === undefined) return <NotFound />;
  const own = probe.channels.filter((c) => COMPARED.includes(c.quantity));
  const channel = own.find((c) => c.id === chosen) ?? own.find((c) => c.twin !== null) ?? own[0];
  return (
    <div class="page twins-page">
      <header class="subject-head">
        <Link to="/probes" class="back">
          <Icon name="back" />
          {text.calibration.back}
        </Link>
        <Heading title={text.twin.title(probe.name)} />
      </header>
      <p class="lead">{text.twin.lead}</p>
      {own.length > 1 && (
        <label>
          {text.twin.channel}
          <select value={channel?.id} onChange={(e) => setChosen(Number(e.currentTarget.value))}>
            {own.map((c) => (
              <option key={c.id} value={c.id}>
                {c.name} ({text.quantity[c.quantity]})
              </option>
            ))}
          </select>
        </label>
      )}
      {channel !== undefined && <Pair key={channel.id} probe={probe} channel={channel} all={probes.value} />}
    </div>
  );
}

function Pair({ probe, channel, all }: { probe: Probe; channel: Channel; all: Probe[] }) {
  const [twin, setTwin] = useState(channel.twin === null ? "" : String(channel.twin.channel));
  const [failure, setFailure] = useState<api.Failure>();
  const run = (request: Promise<unknown>, words: string): void => {
    request.then(
      () => {
        setFailure(undefined);
        say(words);
        touched({ kind: "probe", id: probe.id }, { kind: "channel", id: String(channel.id) });
      },
      (error: unknown) => {
        if (error instanceof api.Failure) setFailure(error);
      },
    );
  };
  const likely = all.flatMap((p) => p.channels.filter((c) => isAlike(c, channel)).map((c) => ({ channel: c, name: `${p.name}, ${c.name}` })));
  if (likely.length === 0) return <p>{text.twin.none}</p>;
  const groups = [true, false].map((beside) => likely.filter((l) => isBeside(l.channel, channel) === beside));
  return (
    <>
      <For role="keeper" only={text.may.twins}>
        <form
          class="asking"
          onSubmit={(event) => {
            event.preventDefault();
            run(api.setTwin(channel.id, Number(twin)), text.twin.comparing);
          }}
        >
          <label>
            {text.twin.twin}
            <select required value={twin} onChange={(e) => setTwin(e.currentTarget.value)}>
              <option value="">{text.twin.choose}</option>
              {groups.map(
                (group, i) =>
                  group.length > 0 && (
                    <optgroup key={i} label={i === 0 ? text.twin.beside : text.twin.elsewhere}>
                      {group.map((l) => (
                        <option key={l.channel.id} value={l.channel.id}>
                          {l.name}
                        </option>
                      ))}
                    </optgroup>
                  ),
              )}
            </select>
          </label>
          <div class="buttons">
            <button type="submit" class="button-main" disabled={twin === String(channel.twin?.channel ?? "")}>
              {text.twin.compare}
            </button>
            {channel.twin !== null && (
              <button
                type="button"
                class="quiet"
                onClick={() => {
                  setTwin("");
                  run(api.endTwin(channel.id), text.twin.ended);
                }}
              >
                {text.twin.end}
              </button>
            )}
          </div>
          {failure !== undefined && <FailureNote failure={failure} />}
        </form>
      </For>
      {channel.twin !== null && <Compared key={channel.twin.channel} probe={probe} channel={channel} />}
    </>
  );
}

function Compared({ probe, channel }: { probe: Probe; channel: Channel }) {
  const comparison = useResource(resources.comparison(channel.id, probe.id));
  const found = comparison.value;
  if (found === undefined)
    return comparison.failure === undefined ? <Loading /> : <FailureNote failure={comparison.failure} again={comparison.again} />;
  if (found === null) return null;
  const doubt = probe.health?.doubts.find((d) => d.channel === channel.id);
  return (
    <section aria-label={text.twin.describe(channel.name, found.twin_name)}>
      <p class="hint">
        {text.twin.since} <When at={found.since} />
      </p>
      <p class={found.drifting ? "twin-words amiss" : "twin-words"} role="status">
        {found.apart !== null && `${text.twin.apart(difference(found.apart, found.unit))} `}
        {found.drift_per_day === null
          ? text.twin.tooShort
          : (found.drifting ? text.twin.drifts : text.twin.steady)(difference(found.drift_per_day, found.unit))}
      </p>
      {found.drifting && doubt !== undefined && <p>{inUnits(doubt.advice)}</p>}
      {found.time.length < 2 ? <p>{text.twin.waiting}</p> : <TwinChart name={`${probe.name}, ${channel.name}`} found={found} />}
    </section>
  );
}

function isAlike(one: Channel, other: Channel): boolean {
  return one.id !== other.id && one.quantity === other.quantity && one.unit === other.unit;
}

function isBeside(one: Channel, other: Channel): boolean {
  const [a, b] = [one.placement, other.placement];
  return a !== null && b !== null && a.position === b.position && a.subject.kind === b.subject.kind && a.subject.id === b.subject.id;
}
