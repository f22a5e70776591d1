import { useState } from "preact/hooks";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { text } from "../text/text.ts";
import { fieldToIso, LAST_DAY } from "../when.ts";

const KINDS = ["readings", "wide", "parquet", "senml", "log", "alarms", "all"] as const;
export type ExportKind = (typeof KINDS)[number];

const PATHS: Record<ExportKind, string> = {
  readings: "readings?",
  wide: "readings?wide=true",
  parquet: "readings?format=parquet",
  senml: "readings?format=senml",
  log: "log?",
  alarms: "alarms?",
  all: "all?",
};

/** What is kept, as a file. The link is a plain one: the browser shows how far it is. */
export function TakeOut() {
  const probes = useResource(resources.probes).value ?? [];
  const zone = useResource(resources.farm).value?.time_zone ?? "UTC";
  const [kind, setKind] = useState<ExportKind>("readings");
  const [probe, setProbe] = useState("");
  const [from, setFrom] = useState("");
  const [to, setTo] = useState("");
  const words = text.data;
  const ofProbes = PATHS[kind].startsWith("readings");
  const asked = [PATHS[kind]];
  if (ofProbes && probe !== "") asked.push(`probe=${encodeURIComponent(probe)}`);
  const [start, end] = [from && fieldToIso(`${from}T00:00`, zone), to && fieldToIso(`${to}T23:59:59.999`, zone)];
  if (start) asked.push(`from=${encodeURIComponent(start)}`);
  if (end) asked.push(`to=${encodeURIComponent(end)}`);
  return (
    <section aria-labelledby="take-out">
      <h2 id="take-out">{words.takeOut}</h2>
      <form class="asking" onSubmit={(event) => event.preventDefault()}>
        <label>
          {words.which}
          <select value={kind} onChange={(e) => setKind(e.currentTarget.value as ExportKind)}>
            {KINDS.map((each) => (
              <option key={each} value={each}>
                {words.kinds[each]}
              </option>
            ))}
          </select>
        </label>
        {ofProbes && (
          <label>
            {words.probe}
            <select value={probe} onChange={(e) => setProbe(e.currentTarget.value)}>
              <option value="">{words.everyProbe}</option>
              {probes.map((each) => (
                <option key={each.id} value={each.id}>
                  {each.name}
                </option>
              ))}
            </select>
          </label>
        )}
        <div class="side-by-side">
          <label>
            {words.from}
            <input type="date" value={from} max={to || LAST_DAY} onInput={(e) => setFrom(e.currentTarget.value)} />
          </label>
          <label>
            {words.to}
            <input type="date" value={to} min={from} max={LAST_DAY} onInput={(e) => setTo(e.currentTarget.value)} />
          </label>
        </div>
        {start === null || end === null ? (
          <p class="note" role="alert">
            {text.failure.noTime}
          </p>
        ) : (
          <div class="buttons">
            <a class="button button-main" href={`/api/v1/export/${asked.join("&").replace("?&", "?").replace(/\?$/, "")}`} download>
              {words.download}
            </a>
          </div>
        )}
      </form>
    </section>
  );
}
