import { useRef, useState } from "preact/hooks";
import * as api from "../api.ts";
import { PublishCommand } from "../parts/FirstProbe.tsx";
import { For } from "../parts/For.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Icon } from "../parts/Icon.tsx";
import { ProbeCard } from "../parts/ProbeCard.tsx";
import { QuarantinedMessages } from "../parts/QuarantinedMessages.tsx";
import { RetiredProbes } from "../parts/RetiredProbes.tsx";
import { Absent, FailureNote } from "../parts/States.tsx";
import { say } from "../parts/Status.tsx";
import { inOrder, isPlaced } from "../probes.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { Probe } from "../shapes.ts";
import { text } from "../text/text.ts";

export function Probes() {
  const probes = useResource(resources.probes);
  const first = useFirstValues(probes.value);
  const [retired, setRetired] = useState<Probe>();
  if (probes.value === undefined) return <Absent of={probes} />;
  const sorted = inOrder(probes.value);
  const fresh = sorted.filter((probe) => !isPlaced(probe));
  const placed = sorted.filter(isPlaced);
  return (
    <div class="page probes-page">
      <Heading title={text.probes.title} />
      {probes.failure !== undefined && probes.failure.status !== 0 && <FailureNote failure={probes.failure} again={probes.again} />}
      <For role="keeper" only={text.may.probes} />
      {retired !== undefined && <Undo probe={retired} over={() => setRetired(undefined)} />}
      <section aria-labelledby="fresh">
        <h2 id="fresh">{text.probes.fresh}</h2>
        {fresh.length > 0 ? <p class="hint">{text.probes.freshHint}</p> : <p>{text.probes.freshNone}</p>}
        <ul class="probes">
          {fresh.map((probe) => (
            <ProbeCard key={probe.id} probe={probe} first={first} retired={setRetired} />
          ))}
        </ul>
        <details class="how" open={probes.value.length === 0}>
          <summary>
            <Icon name="down" />
            {text.probes.how}
          </summary>
          <PublishCommand />
        </details>
      </section>
      <section aria-labelledby="placed">
        <h2 id="placed">{text.probes.placed}</h2>
        {placed.length === 0 && <p>{text.probes.placedNone}</p>}
        <ul class="probes">
          {placed.map((probe) => (
            <ProbeCard key={probe.id} probe={probe} first={first} retired={setRetired} />
          ))}
        </ul>
      </section>
      <QuarantinedMessages />
      <RetiredProbes inUse={probes.value} />
    </div>
  );
}

/** Says that a probe was retired, and takes it back as though nothing had been. */
function Undo({ probe, over }: { probe: Probe; over: () => void }) {
  const [failure, setFailure] = useState<api.Failure>();
  const undo = (): void => {
    api.unretireProbe(probe.id, true).then(
      () => {
        over();
        say(text.probes.undone(probe.name));
        const subjects = probe.channels.flatMap((c) => (c.placement === null ? [] : [c.placement.subject]));
        touched({ kind: "probe", id: "" }, ...subjects, { kind: "place", id: "" });
      },
      (error: unknown) => {
        if (error instanceof api.Failure) setFailure(error);
      },
    );
  };
  return (
    <div class="asking undo">
      <p>{text.probes.isRetired(probe.name)}</p>
      <button type="button" onClick={undo}>
        {text.probes.undo}
      </button>
      {failure !== undefined && <FailureNote failure={failure} />}
    </div>
  );
}

/** The first value seen of each channel since this page was opened. */
function useFirstValues(probes: Probe[] | undefined): ReadonlyMap<number, number> {
  const first = useRef(new Map<number, number>());
  for (const channel of probes?.flatMap((p) => p.channels) ?? [])
    if (channel.latest !== null && !first.current.has(channel.id)) first.current.set(channel.id, channel.latest.value);
  return first.current;
}

