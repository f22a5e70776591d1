import { useRef, useState } from "preact/hooks";
import * as api from "../api.ts";
import { FailureNote, Loading } from "../parts/States.tsx";
import { say } from "../parts/Status.tsx";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import type { DateOrder, Import, LogKind, LogMap, Look, ReadingsMap } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Columns } from "./Columns.tsx";
import { Outcome } from "./Outcome.tsx";
import { beginning } from "./pieces.ts";
import { missing, send } from "./tables.ts";

const LOG_KINDS: LogKind[] = ["fed", "wetted", "turned", "bedding", "harvest", "split", "worms", "seen", "lid"];
const ORDERS: DateOrder[] = ["ymd", "dmy", "mdy", "unix"];

interface Chosen {
  file: File;
  look: Look;
  map: ReadingsMap | LogMap;
  isOrderTold: boolean;
}

/** A table from a file: looked at, tried, then taken in. */
export function TakeIn() {
  const [chosen, setChosen] = useState<Chosen>();
  const [failure, setFailure] = useState<api.Failure>();
  const [share, setShare] = useState<number | null>(null);
  const [done, setDone] = useState<{ outcome: Import; dryRun: boolean }>();
  const isOff = useRef(false);
  const words = text.data;

  const fail = (error: unknown): void => setFailure(error instanceof api.Failure ? error : new api.Failure(0, String(error)));
  const look = async (file: File, what: Look["what"] | null): Promise<void> => {
    setFailure(undefined);
    setDone(undefined);
    try {
      const found = await api.lookAtTable(await beginning(file), what);
      const map = found.what === "log" ? found.log : found.readings;
      if (map !== null) setChosen({ file, look: found, map, isOrderTold: false });
    } catch (error) {
      setChosen(undefined);
      fail(error);
    }
  };
  const run = async (dryRun: boolean): Promise<void> => {
    if (chosen === undefined) return;
    isOff.current = false;
    setFailure(undefined);
    setShare(0);
    try {
      const outcome = await send(chosen.file, chosen.look, chosen.map, dryRun, (p) => setShare(p.share), () => isOff.current);
      setDone({ outcome, dryRun });
      say(words.counts(outcome, dryRun));
    } catch (error) {
      fail(error);
    }
    setShare(null);
  };
  const change = (map: ReadingsMap | LogMap, isOrderTold = chosen?.isOrderTold ?? false): void => {
    setDone(undefined);
    if (chosen !== undefined) setChosen({ ...chosen, map, isOrderTold });
  };
  const open = chosen === undefined ? [] : missing(chosen.look, chosen.map, chosen.isOrderTold);
  return (
    <section aria-labelledby="take-in">
      <h2 id="take-in">{words.takeIn}</h2>
      <p class="hint">{words.takeInLead}</p>
      <form
        class="asking"
        onSubmit={(event) => {
          event.preventDefault();
          void run(true);
        }}
      >
        <label>
          {words.file}
          <input
            type="file"
            accept=".csv,.tsv,.txt,text/csv,text/plain"
            onChange={(e) => {
              const [file] = e.currentTarget.files ?? [];
              if (file !== undefined) void look(file, null);
            }}
          />
        </label>
        {chosen !== undefined && (
          <>
            <label>
              {words.what}
              <select value={chosen.look.what} onChange={(e) => void look(chosen.file, e.currentTarget.value as Look["what"])}>
                <option value="readings">{words.tableOf.readings}</option>
                <option value="log">{words.tableOf.log}</option>
              </select>
            </label>
            <Times chosen={chosen} change={change} />
            {"subject" in chosen.map ? <LogFields map={chosen.map} look={chosen.look} change={change} /> : <Columns map={chosen.map} look={chosen.look} change={change} />}
            {open.length > 0 && (
              <p class="note" role="status">
                {words.open(open.map((each) => words.questions[each] ?? each))}
              </p>
            )}
            <div class="buttons">
              <button type="submit" disabled={open.length > 0 || share !== null}>
                {words.tryIt}
              </button>
              <button type="button" class="button-main" disabled={done?.dryRun !== true || done.outcome.new === 0 || share !== null} onClick={() => void run(false)}>
                {words.take}
              </button>
              {share !== null && (
                <button type="button" class="quiet" onClick={() => (isOff.current = true)}>
                  {words.stop}
                </button>
              )}
            </div>
          </>
        )}
        {share !== null && (
          <label>
            {words.progress(Math.round(share * 100))}
            <progress value={share} max={1} />
          </label>
        )}
        {share === 0 && <Loading />}
      </form>
      {failure !== undefined && <FailureNote failure={failure} />}
      {done !== undefined && chosen !== undefined && <Outcome outcome={done.outcome} dryRun={done.dryRun} look={chosen.look} name={chosen.file.name} separator={chosen.map.separator} />}
    </section>
  );
}

interface FieldsProps<Map> {
  map: Map;
  look: Look;
  change: (map: Map) => void;
}

/** How times are written, and on whose clocks. */
function Times({ chosen, change }: { chosen: Chosen; change: (map: ReadingsMap | LogMap, isOrderTold: boolean) => void }) {
  const words = text.data;
  const { map, look, isOrderTold } = chosen;
  const isAsked = look.questions.includes("order") && !isOrderTold;
  return (
    <>
      <label>
        {words.order}
        <select required value={isAsked ? "" : map.order} onChange={(e) => change({ ...map, order: e.currentTarget.value as DateOrder }, true)}>
          {isAsked && <option value="">{words.choose}</option>}
          {ORDERS.map((order) => (
            <option key={order} value={order}>
              {words.orders[order]}
            </option>
          ))}
        </select>
      </label>
      <div class="side-by-side">
        <label>
          {words.zone}
          <input required value={map.zone} onInput={(e) => change({ ...map, zone: e.currentTarget.value }, isOrderTold)} />
        </label>
        <label>
          {words.twice}
          <select value={map.twice} onChange={(e) => change({ ...map, twice: e.currentTarget.value as ReadingsMap["twice"] }, isOrderTold)}>
            {(["refuse", "earlier", "later"] as const).map((each) => (
              <option key={each} value={each}>
                {words.twices[each]}
              </option>
            ))}
          </select>
        </label>
      </div>
    </>
  );
}

/** Of a log that does not say where or what: the bin, and what was done. */
function LogFields({ map, look, change }: FieldsProps<LogMap>) {
  const bins = useResource(resources.bins).value ?? [];
  const words = text.data;
  return (
    <>
      {typeof map.subject === "string" && (
        <label>
          {words.bin}
          <select required value={map.subject} onChange={(e) => change({ ...map, subject: e.currentTarget.value })}>
            <option value="">{words.choose}</option>
            {bins.map((bin) => (
              <option key={bin.id} value={`bin/${bin.id}`}>
                {bin.name}
              </option>
            ))}
          </select>
        </label>
      )}
      {look.questions.includes("kind") && (
        <label>
          {words.kind}
          <select required value={String(map.kind)} onChange={(e) => change({ ...map, kind: e.currentTarget.value })}>
            <option value="">{words.choose}</option>
            {LOG_KINDS.map((kind) => (
              <option key={kind} value={kind}>
                {text.logKind[kind]}
              </option>
            ))}
          </select>
        </label>
      )}
    </>
  );
}
