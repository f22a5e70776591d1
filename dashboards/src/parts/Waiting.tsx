import { drop, flush, type Queued, useQueue } from "../offline/queue.ts";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import type { Subject } from "../shapes.ts";
import { text } from "../text/text.ts";
import { When } from "./Age.tsx";
import { describe, describeNew } from "./LogForm.tsx";
import { WaitingPhotos } from "./WaitingPhotos.tsx";

const NONE: readonly Blob[] = [];

/** What is noted here and not yet with the service, and what came out differently than meant. */
export function Waiting() {
  const queue = useQueue();
  const bins = useResource(resources.bins);
  const stores = useResource(resources.feedStores);
  const nameOf = ({ kind, id }: Subject): string =>
    (kind === "bin" ? bins.value : stores.value)?.find((thing) => thing.id === id)?.name ?? id;
  const waiting = queue.filter((q) => q.trouble === null && q.late);
  const troubled = queue.filter((q) => q.trouble !== null);
  return (
    <>
      <div role="status" class="no-print">
        {waiting.length > 0 && (
          <div class="waiting-entries">
            <p>
              <strong>{text.queue.waiting(waiting.length)}</strong> {text.queue.safe}
            </p>
            <ul>
              {waiting.map((q) => (
                <li key={q.n}>
                  <When at={q.entry.at} /> {nameOf(q.entry.subject)}: {describeNew(q.entry)}
                  <WaitingPhotos photos={q.photos ?? NONE} of={describeNew(q.entry)} />
                </li>
              ))}
            </ul>
            <button type="button" onClick={() => void flush()}>
              {text.queue.send}
            </button>
          </div>
        )}
      </div>
      <div role="alert" class="no-print">
        {troubled.map((q) => (
          <div key={q.n} class="waiting-entries trouble">
            <p>
              <strong>{nameOf(q.entry.subject)}</strong>: {describeNew(q.entry)} (<When at={q.entry.at} />)
            </p>
            {q.trouble !== null && ("refused" in q.trouble ? <p>{text.queue.refused(q.trouble.refused)}</p> : <Also trouble={q.trouble} />)}
            <button type="button" onClick={() => void drop(q.n)}>
              {q.trouble !== null && "refused" in q.trouble ? text.queue.drop : text.queue.understood}
            </button>
          </div>
        ))}
      </div>
    </>
  );
}

function Also({ trouble }: { trouble: Extract<NonNullable<Queued["trouble"]>, { also: unknown }> }) {
  return (
    <p>
      {text.queue.also} {describe(trouble.also)} (<When at={trouble.also.at} />). {text.queue.both}
    </p>
  );
}
