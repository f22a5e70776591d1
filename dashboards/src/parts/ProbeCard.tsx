import { useEffect, useRef, useState } from "preact/hooks";
import * as api from "../api.ts";
import { isPlaced } from "../probes.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import { pathOf, placingPath, twinsPath } from "../routes.ts";
import { COMPARED, type Position, type Probe, type Subject } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Age } from "./Age.tsx";
import { For } from "./For.tsx";
import { PlaceForm } from "./PlaceForm.tsx";
import { ProbeHealth } from "./ProbeHealth.tsx";
import { ProbeValues } from "./ProbeValues.tsx";
import { FailureNote } from "./States.tsx";
import { say } from "./Status.tsx";

type Doing = "place" | "rest" | "rename" | "take-out" | "retire" | null;

interface ProbeCardProps {
  probe: Probe;
  first: ReadonlyMap<number, number>;
  retired: (probe: Probe) => void;
}

/** A probe in use: its values, how it is, and what can be done with it. */
export function ProbeCard({ probe, first, retired }: ProbeCardProps) {
  const placed = isPlaced(probe);
  const isAsked = !placed && location.pathname + location.hash === placingPath(probe.id);
  const [doing, setDoing] = useState<Doing>(isAsked ? "place" : null);
  const [failure, setFailure] = useState<api.Failure>();
  const changed = (after: Probe, words: string): void => {
    setDoing(null);
    setFailure(undefined);
    say(words);
    const subjects = [...probe.channels, ...after.channels].flatMap((c) => (c.placement === null ? [] : [c.placement.subject]));
    touched({ kind: "probe", id: "" }, { kind: "probe", id: probe.id }, ...subjects, { kind: "place", id: "" });
  };
  const run = (request: Promise<Probe>, words: (after: Probe) => string): void => {
    request.then(
      (after) => changed(after, words(after)),
      (error: unknown) => {
        if (error instanceof api.Failure) setFailure(error);
      },
    );
  };
  const retire = (): void => {
    api.retireProbe(probe.id).then(
      () => {
        retired(probe);
        changed(probe, text.probes.isRetired(probe.name));
      },
      (error: unknown) => {
        if (error instanceof api.Failure) setFailure(error);
      },
    );
  };
  const ask = (what: Doing): void => setDoing(doing === what ? null : what);
  return (
    <li class={placed ? "probe" : "probe probe-fresh"} id={`probe-${probe.id}`}>
      <div class="probe-head">
        <h3>{probe.name}</h3>
        {probe.name !== probe.id && <span class="probe-id">{probe.id}</span>}
        {probe.online !== null && <span class={probe.online ? "online" : "offline"}>{probe.online ? text.probes.online : text.probes.offline}</span>}
        <span class="age">{probe.last_seen === null ? text.probes.waiting : <Age at={probe.last_seen} ago />}</span>
      </div>
      {placed && <Placements probe={probe} />}
      <ProbeValues probe={probe} first={placed && doing !== "place" ? null : first} />
      {probe.health !== null && <ProbeHealth probe={probe} health={probe.health} />}
      <div class="buttons">
        <For role="keeper">
          <button type="button" class={placed ? "" : "button-main"} aria-expanded={doing === "place"} onClick={() => ask("place")}>
            {placed ? text.probes.move : text.probes.place}
          </button>
          {placed && probe.suggestion !== null && (
            <button type="button" aria-expanded={doing === "rest"} onClick={() => ask("rest")}>
              {text.probes.rest}
            </button>
          )}
        </For>
        {placed && probe.channels.some((c) => COMPARED.includes(c.quantity)) && (
          <Link to={twinsPath(probe.id)} class="button quiet" label={text.twin.title(probe.name)}>
            {text.twin.open}
          </Link>
        )}
        <For role="keeper">
          <button type="button" class="quiet" aria-expanded={doing === "rename"} onClick={() => ask("rename")}>
            {text.probes.rename}
          </button>
          {placed && (
            <button type="button" class="quiet" aria-expanded={doing === "take-out"} onClick={() => ask("take-out")}>
              {text.probes.takeOut}
            </button>
          )}
          <button type="button" class="quiet" aria-expanded={doing === "retire"} onClick={() => ask("retire")}>
            {text.probes.retire}
          </button>
        </For>
      </div>
      {(doing === "place" || doing === "rest") && (
        <PlaceForm key={doing} probe={probe} suggestion={placed && doing === "place" ? null : probe.suggestion} cancel={() => setDoing(null)} done={(after, where) => changed(after, text.probes.done(probe.name, where))} />
      )}
      {doing === "rename" && <Rename probe={probe} save={(name) => run(api.renameProbe(probe.id, name), (after) => after.name)} />}
      {doing === "take-out" && (
        <Sure
          question={text.probes.takeOutSure}
          yes={text.probes.yesTakeOut}
          go={() => run(api.takeProbeOut(probe.id), () => `${probe.name}: ${text.probes.unplaced}`)}
          cancel={() => setDoing(null)}
        />
      )}
      {doing === "retire" && (
        <Sure question={text.probes.retireSure} yes={text.probes.yesRetire} go={retire} cancel={() => setDoing(null)} />
      )}
      {failure !== undefined && <FailureNote failure={failure} />}
    </li>
  );
}

function Sure({ question, yes, go, cancel }: { question: string; yes: string; go: () => void; cancel: () => void }) {
  return (
    <div class="asking">
      <p>{question}</p>
      <div class="buttons">
        <button type="button" class="button-main" onClick={go}>
          {yes}
        </button>
        <button type="button" class="quiet" onClick={cancel}>
          {text.probes.cancel}
        </button>
      </div>
    </div>
  );
}

/** Where the probe's channels sit, each place once. */
function Placements({ probe }: { probe: Probe }) {
  const bins = useResource(resources.bins);
  const stores = useResource(resources.feedStores);
  const places = useResource(resources.places);
  const known = [...(bins.value ?? []), ...(stores.value ?? []), ...(places.value ?? [])];
  const grouped = new Map<string, { subject: Subject; positions: Set<Position> }>();
  for (const { placement } of probe.channels) {
    if (placement === null) continue;
    const key = `${placement.subject.kind}/${placement.subject.id}`;
    const group = grouped.get(key) ?? { subject: placement.subject, positions: new Set() };
    group.positions.add(placement.position);
    grouped.set(key, group);
  }
  return (
    <p class="placements">
      {[...grouped].map(([key, { subject, positions }]) => (
        <span key={key}>
          <Link to={pathOf(subject)}>{known.find((k) => k.id === subject.id)?.name ?? subject.id}</Link>
          {": "}
          {[...positions].map((p) => text.position[p]).join(", ")}
        </span>
      ))}
    </p>
  );
}

function Rename({ probe, save }: { probe: Probe; save: (name: string) => void }) {
  const [name, setName] = useState(probe.name);
  const input = useRef<HTMLInputElement>(null);
  useEffect(() => input.current?.select(), []);
  return (
    <form
      class="asking"
      onSubmit={(event) => {
        event.preventDefault();
        save(name.trim());
      }}
    >
      <label>
        {text.probes.name}
        <input ref={input} type="text" required maxLength={80} value={name} onInput={(e) => setName(e.currentTarget.value)} />
      </label>
      <div class="buttons">
        <button type="submit" class="button-main">
          {text.probes.save}
        </button>
      </div>
    </form>
  );
}
