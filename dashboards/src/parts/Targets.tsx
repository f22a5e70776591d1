import { useState } from "preact/hooks";
import * as api from "../api.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { Target } from "../shapes.ts";
import { text } from "../text/text.ts";
import { When } from "./Age.tsx";
import { For } from "./For.tsx";
import { Icon } from "./Icon.tsx";
import { FailureNote, Loading } from "./States.tsx";

/** Who is told of alarms and when, whether messages get there, and a test message to each. */
export function Targets() {
  const targets = useResource(resources.targets);
  return (
    <section class="targets" aria-labelledby="targets">
      <h2 id="targets">{text.targets.title}</h2>
      {targets.value === undefined && (targets.failure === undefined ? <Loading /> : <FailureNote failure={targets.failure} again={targets.again} />)}
      {targets.value?.length === 0 && <p class="hint">{text.targets.none}</p>}
      {(targets.value ?? []).length > 0 && <For role="keeper" only={text.may.targets} />}
      <ul>
        {(targets.value ?? []).map((target) => (
          <TargetLine key={target.name} target={target} />
        ))}
      </ul>
    </section>
  );
}

type Outcome = "busy" | { taken: boolean; error: string | null } | api.Failure;

function TargetLine({ target }: { target: Target }) {
  const [outcome, setOutcome] = useState<Outcome>();
  const words = text.targets;
  const test = (): void => {
    setOutcome("busy");
    api.tryTarget(target.name).then(
      (answer) => {
        setOutcome(answer);
        touched({ kind: "farm", id: "" });
      },
      (error: unknown) => {
        if (error instanceof api.Failure) setOutcome(error);
      },
    );
  };
  return (
    <li>
      <h3>{target.name}</h3>
      <p>
        {words.least[target.least]}
        {target.quiet !== null && ` ${words.quiet(target.quiet, target.breaks_quiet === "none" ? null : text.priority[target.breaks_quiet])}`}
        {target.digest !== null && ` ${words.digest(target.digest)}`}
      </p>
      {target.failing_since !== null && (
        <p class="amiss">
          <Icon name="urgent" /> {words.failing} <When at={target.failing_since} />
          {target.last_error !== null && `: ${target.last_error}`}. {target.waiting > 0 && words.waiting(target.waiting)}
        </p>
      )}
      <div class="buttons">
        <For role="keeper">
          <button type="button" disabled={outcome === "busy"} aria-label={words.testLabel(target.name)} onClick={test}>
            {outcome === "busy" ? words.testing : words.test}
          </button>
        </For>
        <span role="status">
          {outcome !== undefined && outcome !== "busy" && !(outcome instanceof api.Failure) && (outcome.taken ? words.taken : words.refused(outcome.error ?? ""))}
        </span>
      </div>
      {outcome instanceof api.Failure && <FailureNote failure={outcome} />}
    </li>
  );
}
