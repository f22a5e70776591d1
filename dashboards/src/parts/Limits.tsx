import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { limitName, limitValue } from "../format.ts";
import { touched } from "../resources.ts";
import type { Limit } from "../shapes.ts";
import { text } from "../text/text.ts";
import { For } from "./For.tsx";
import { Icon } from "./Icon.tsx";
import { isMain, LimitForm } from "./LimitForm.tsx";
import { monthsOf } from "./SeasonField.tsx";
import { FailureNote } from "./States.tsx";
import { say } from "./Status.tsx";

/** The limits a keeper thinks in come first; delays, bands and assumptions behind a fold. */
export function Limits({ id, limits, own: set }: { id: string; limits: Limit[]; own: Record<string, number> }) {
  const [doing, setDoing] = useState<"change" | "reset" | null>(null);
  const [failure, setFailure] = useState<api.Failure>();
  const main = limits.filter(isMain);
  const rest = limits.filter((l) => !isMain(l));
  const own = limits.filter((l) => l.origin === "bin");

  const save = async (values: Record<string, number>): Promise<void> => {
    try {
      await api.changeBin(id, { limits: values });
      setFailure(undefined);
      setDoing(null);
      say(text.bin.limitsSaved);
      touched({ kind: "bin", id });
    } catch (error) {
      if (!(error instanceof api.Failure)) throw error;
      setFailure(error);
    }
  };
  return (
    <section class="limits" aria-labelledby="limits">
      <h2 id="limits">{text.bin.limits}</h2>
      {doing === "change" ? (
        <LimitForm level="bin" id={id} own={set} limits={limits} save={save} cancel={() => setDoing(null)} />
      ) : (
        <>
          {main.length > 0 && <LimitList limits={main} />}
          <details>
            <summary>
              <Icon name="down" />
              {text.bin.limitsRest}
            </summary>
            <LimitList limits={rest} />
          </details>
          <For role="keeper" only={text.may.limits}>
            <div class="buttons">
              <button type="button" onClick={() => setDoing("change")}>
                {text.bin.limitsChange}
              </button>
              {(own.length > 0 || Object.keys(set).length > 0) && (
                <button type="button" class="quiet" aria-expanded={doing === "reset"} onClick={() => setDoing(doing === "reset" ? null : "reset")}>
                  {text.bin.limitsReset}
                </button>
              )}
            </div>
            {doing === "reset" && (
              <div class="asking">
                <p>{text.bin.limitsResetSure}</p>
                <div class="buttons">
                  <button type="button" class="button-main" onClick={() => void save({})}>
                    {text.bin.limitsResetYes}
                  </button>
                  <button type="button" class="quiet" onClick={() => setDoing(null)}>
                    {text.bin.limitsCancel}
                  </button>
                </div>
              </div>
            )}
          </For>
        </>
      )}
      {failure !== undefined && <FailureNote failure={failure} />}
    </section>
  );
}

function LimitList({ limits }: { limits: Limit[] }) {
  return (
    <ul class="limit-list">
      {limits.map((limit) => (
        <li key={limit.name}>
          <span class="limit-name">{limitName(limit.name)}</span>
          <span class="figure">{limitValue(limit)}</span>
          <span class="hint">
            {text.bin.setBy(text.bin.origin[limit.origin] ?? limit.origin)}
            {limit.season !== null && `, ${monthsOf(limit.season)}`}
          </span>
          {limit.origin === "species" && <span class="hint limit-source">{limit.source}</span>}
        </li>
      ))}
    </ul>
  );
}
