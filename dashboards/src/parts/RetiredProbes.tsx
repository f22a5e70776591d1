import { useState } from "preact/hooks";
import * as api from "../api.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { Probe } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Age, When } from "./Age.tsx";
import { For } from "./For.tsx";
import { Icon } from "./Icon.tsx";
import { FailureNote } from "./States.tsx";
import { say } from "./Status.tsx";

/**
 * The probes that were taken out for good: since when, whether one speaks all the same, and the way back. One that is
 * among those in use is not shown twice while one of the two lists is on its way.
 */
export function RetiredProbes({ inUse }: { inUse: readonly Probe[] }) {
  const all = useResource(resources.retiredProbes).value ?? [];
  const retired = all.filter((probe) => !inUse.some((other) => other.id === probe.id));
  if (retired.length === 0) return null;
  return (
    <details class="how" open={retired.some((probe) => probe.speaks_retired)}>
      <summary>
        <Icon name="down" />
        {text.probes.retired(retired.length)}
      </summary>
      <ul class="probes">
        {retired.map((probe) => (
          <Retired key={probe.id} probe={probe} />
        ))}
      </ul>
    </details>
  );
}

function Retired({ probe }: { probe: Probe }) {
  const [failure, setFailure] = useState<api.Failure>();
  const back = (): void => {
    api.unretireProbe(probe.id, false).then(
      () => {
        say(text.probes.isBack(probe.name));
        touched({ kind: "probe", id: "" });
      },
      (error: unknown) => {
        if (error instanceof api.Failure) setFailure(error);
      },
    );
  };
  return (
    <li class="probe" id={`probe-${probe.id}`}>
      <div class="probe-head">
        <h3>{probe.name}</h3>
        {probe.name !== probe.id && <span class="probe-id">{probe.id}</span>}
        <span class="age">{probe.last_seen === null ? text.probes.waiting : <Age at={probe.last_seen} ago />}</span>
      </div>
      <p class={probe.speaks_retired ? "offline" : ""}>
        {probe.speaks_retired ? text.probes.speaksRetired : text.probes.retiredOn}
        {probe.retired !== null && (
          <>
            {" "}
            (<When at={probe.retired} />)
          </>
        )}
      </p>
      <For role="keeper">
        <div class="buttons">
          <button type="button" onClick={back}>
            {text.probes.bringBack}
          </button>
        </div>
      </For>
      {failure !== undefined && <FailureNote failure={failure} />}
    </li>
  );
}
