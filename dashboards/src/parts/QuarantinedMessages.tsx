import { useState } from "preact/hooks";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import type { Reject } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Age } from "./Age.tsx";
import { Icon } from "./Icon.tsx";

const FIRST = 10;
const MOST = 200;

/** What probes sent that could not be used, each with the reason: where a probe that does not show up is looked for. */
export function QuarantinedMessages() {
  const [most, setMost] = useState(FIRST);
  const page = useResource(resources.quarantine(most)).value;
  if (page === undefined || page.items.length === 0) return null;
  return (
    <details class="how">
      <summary>
        <Icon name="down" />
        {text.quarantine.title(page.items.length, page.next !== null)}
      </summary>
      <p class="hint">{text.quarantine.lead}</p>
      <ul class="rejects">
        {page.items.map((reject) => (
          <Quarantined key={reject.id} reject={reject} />
        ))}
      </ul>
      {page.next !== null && most < MOST && (
        <button type="button" class="quiet" onClick={() => setMost(MOST)}>
          {text.quarantine.more}
        </button>
      )}
    </details>
  );
}

function Quarantined({ reject }: { reject: Reject }) {
  return (
    <li>
      <p class="reject-head">
        <strong>{reject.topic}</strong>{" "}
        <span class="hint">
          <Age at={reject.received} ago />
          {reject.times > 1 && `, ${text.quarantine.times(reject.times)}`}
        </span>
      </p>
      <p>{reject.reason}</p>
      {reject.payload_start !== "" && (
        <p class="reject-payload">
          <code>{reject.payload_start}</code> <span class="hint">{text.quarantine.bytes(reject.size)}</span>
        </p>
      )}
    </li>
  );
}
