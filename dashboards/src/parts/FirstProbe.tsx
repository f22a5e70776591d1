import { useState } from "preact/hooks";
import { inOrder } from "../probes.ts";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import { placingPath } from "../routes.ts";
import { text } from "../text/text.ts";
import { Heading } from "./Heading.tsx";
import { ProbeValues } from "./ProbeValues.tsx";
import { AddThings } from "./ThingForm.tsx";

const NOTHING_BEFORE: ReadonlyMap<number, number> = new Map();
const PAYLOAD = '[{"n":"temp","u":"Cel","v":21.5},{"n":"moist","u":"%","v":71}]';

/** Where to publish to: a broker on the service's own machine is reached by the name that machine has here. */
function brokerFrom(broker: string): { host: string; port: string } {
  const [, host = "", port = "1883"] = /^(.*?)(?::(\d+))?$/.exec(broker) ?? [];
  const isSelf = ["", "localhost", "127.0.0.1", "[::1]", "0.0.0.0", "[::]"].includes(host);
  return { host: isSelf ? location.hostname : host, port };
}

/** The command that publishes a first reading to the broker on this host. */
export function PublishCommand() {
  const [copied, setCopied] = useState(false);
  const farm = useResource(resources.farm);
  const { host, port } = brokerFrom(farm.value?.broker ?? "");
  const command = `mosquitto_pub -h ${host} -p ${port} -V 5 -q 1 -t underlid/probe/probe-1 -m '${PAYLOAD}'`;
  return (
    <div class="command">
      <pre tabIndex={0}>
        <code>{command}</code>
      </pre>
      {navigator.clipboard !== undefined && (
        <button type="button" onClick={() => void navigator.clipboard.writeText(command).then(() => setCopied(true))}>
          {copied ? text.empty.copied : text.empty.copy}
        </button>
      )}
      <p class="hint">{text.empty.step1Host}</p>
    </div>
  );
}

/** Nothing is watched yet: from here to the first bin in three steps; the probe shows the moment it speaks. */
export function FirstProbe() {
  const probes = useResource(resources.probes);
  const seen = inOrder(probes.value ?? []);
  return (
    <div class="page empty-page">
      <Heading title={text.empty.title} />
      <p class="lead">{text.empty.lead}</p>
      <ol class="steps">
        <li>
          <h2>{text.empty.step1}</h2>
          <p>{text.empty.step1Text}</p>
          <PublishCommand />
        </li>
        <li>
          <h2>{text.empty.step2}</h2>
          <div aria-live="polite">
            {seen.length === 0 && <p class="waiting">{text.empty.waiting}</p>}
            {seen.map((probe) => (
              <div key={probe.id} class="seen-probe">
                <strong>{text.empty.arrived(probe.name)}</strong>
                <ProbeValues probe={probe} first={NOTHING_BEFORE} />
              </div>
            ))}
          </div>
        </li>
        <li>
          <h2>{text.empty.step3}</h2>
          <p>{text.empty.step3Text}</p>
          {seen[0] !== undefined && (
            <Link to={placingPath(seen[0].id)} class="button button-main">
              {text.empty.place}
            </Link>
          )}
        </li>
      </ol>
      <AddThings />
    </div>
  );
}
