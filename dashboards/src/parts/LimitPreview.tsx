import { useEffect, useState } from "preact/hooks";
import * as api from "../api.ts";
import { farmNow } from "../clock.ts";
import type { Replay } from "../shapes.ts";
import { text } from "../text/text.ts";
import { ReplayList } from "./ReplayList.tsx";

const WEEKS = 2;
const WAIT_MS = 500;

/** What a bin's own limits would have done over the last weeks, beside those in force; asked when typing pauses. */
export function LimitPreview({ id, values }: { id: string; values: Record<string, number> }) {
  const [said, setSaid] = useState<Replay | string | null>(null);
  const asked = JSON.stringify(values);
  useEffect(() => {
    let current = true;
    setSaid(null);
    const subject = { kind: "bin" as const, id };
    const ask = (): void => {
      api
        .askReplay({
          from: new Date(farmNow() - WEEKS * 7 * 86_400_000).toISOString(),
          subjects: [subject],
          limits: [{ subject, limits: JSON.parse(asked) as Record<string, number> }],
          only_changed: true,
          against: "present-limits",
        })
        .then(
          (replay) => current && setSaid(replay),
          (error: unknown) => current && setSaid(error instanceof api.Failure ? error.message : String(error)),
        );
    };
    const timer = setTimeout(ask, WAIT_MS);
    return () => {
      current = false;
      clearTimeout(timer);
    };
  }, [id, asked]);
  return (
    <section class="note limit-preview" aria-labelledby="limit-preview">
      <h3 id="limit-preview">{text.replay.preview(WEEKS)}</h3>
      {said === null && <p role="status">{text.replay.reckoning}</p>}
      {typeof said === "string" && <p role="alert">{said}</p>}
      {said !== null && typeof said !== "string" && (said.pairs.length === 0 ? <p role="status">{text.replay.noneEither}</p> : <ReplayList replay={said} named={false} beside="inForce" />)}
    </section>
  );
}
