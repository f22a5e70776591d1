import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { farmNow } from "../clock.ts";
import { limitName, limitNumber, limitUnit, unitSign } from "../format.ts";
import { ownKey, ownValue } from "../limits.ts";
import { For } from "../parts/For.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Icon } from "../parts/Icon.tsx";
import { ReplayList } from "../parts/ReplayList.tsx";
import { Absent, FailureNote } from "../parts/States.tsx";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import type { Bin, Replay as Said, Subject } from "../shapes.ts";
import { text } from "../text/text.ts";

const WEEKS = [1, 2, 3, 6] as const;

/** What the rules would have said over the last weeks, of all or of one bin with other limits. */
export function Replay() {
  const bins = useResource(resources.bins);
  const [weeks, setWeeks] = useState<number>(1);
  const [chosen, setChosen] = useState("");
  if (bins.value === undefined) return <Absent of={bins} />;
  const words = text.replay;
  return (
    <div class="page replay-page">
      <Link to="/alarms" class="back">
        <Icon name="back" />
        {text.alarms.title}
      </Link>
      <Heading title={words.title} />
      <p class="hint">{words.lead}</p>
      <For role="keeper" only={text.may.replay}>
        <label>
          {words.period}
          <select value={String(weeks)} onChange={(e) => setWeeks(Number(e.currentTarget.value))}>
            {WEEKS.map((n) => (
              <option key={n} value={String(n)}>
                {words.weeks(n)}
              </option>
            ))}
          </select>
        </label>
        <label>
          {words.bin}
          <select value={chosen} onChange={(e) => setChosen(e.currentTarget.value)}>
            <option value="">{words.all}</option>
            {bins.value.map((b) => (
              <option key={b.id} value={b.id}>
                {b.name}
              </option>
            ))}
          </select>
        </label>
        {chosen === "" ? <Run key={weeks} weeks={weeks} subjects={[]} /> : <OfBin key={chosen} id={chosen} weeks={weeks} />}
      </For>
    </div>
  );
}

function OfBin({ id, weeks }: { id: string; weeks: number }) {
  const bin = useResource(resources.bin(id));
  return bin.value === undefined ? <Absent of={bin} /> : <Changed bin={bin.value} weeks={weeks} />;
}

/** One limit of a bin, changed for the replay. */
function Changed({ bin, weeks }: { bin: Bin; weeks: number }) {
  const [name, setName] = useState("");
  const [typed, setTyped] = useState("");
  const limit = bin.limits.find((l) => l.name === name);
  const subject: Subject = { kind: "bin", id: bin.id };
  const isChanged = limit !== undefined && typed !== "";
  const limits = isChanged ? [{ subject, limits: { ...bin.own_limits, [ownKey(limit)]: ownValue(limit, typed) } }] : [];
  return (
    <>
      <label>
        {text.replay.limit}
        <select
          value={name}
          onChange={(e) => {
            const next = bin.limits.find((l) => l.name === e.currentTarget.value);
            setName(next?.name ?? "");
            setTyped(next === undefined ? "" : String(limitNumber(next)));
          }}
        >
          <option value="">{text.replay.present}</option>
          {bin.limits.map((l) => (
            <option key={l.name} value={l.name}>
              {limitName(l.name)}
            </option>
          ))}
        </select>
      </label>
      {limit !== undefined && (
        <label>
          {limitName(limit.name)} <span class="hint">{unitSign(limitUnit(limit))}</span>
          <input type="number" inputMode="decimal" step="any" value={typed} onInput={(e) => setTyped(e.currentTarget.value)} />
        </label>
      )}
      <Run key={JSON.stringify([weeks, limits])} weeks={weeks} subjects={[subject]} limits={limits} />
    </>
  );
}

interface RunProps {
  weeks: number;
  subjects: Subject[];
  limits?: { subject: Subject; limits: Record<string, number> }[];
}

/** Asks, and shows the answer for as long as what was asked stands: it has a key of that. */
function Run({ weeks, subjects, limits = [] }: RunProps) {
  const [said, setSaid] = useState<Said>();
  const [failure, setFailure] = useState<api.Failure>();
  const [busy, setBusy] = useState(false);
  const run = async (): Promise<void> => {
    setBusy(true);
    setFailure(undefined);
    setSaid(undefined);
    try {
      const from = new Date(farmNow() - weeks * 7 * 86_400_000).toISOString();
      setSaid(await api.askReplay({ from, subjects, limits }));
    } catch (error) {
      if (!(error instanceof api.Failure)) throw error;
      setFailure(error);
    } finally {
      setBusy(false);
    }
  };
  return (
    <>
      <div class="buttons">
        <button type="button" class="button-main" disabled={busy} onClick={() => void run()}>
          {text.replay.run}
        </button>
      </div>
      {busy && <p role="status">{text.replay.reckoning}</p>}
      {failure !== undefined && <FailureNote failure={failure} />}
      {said !== undefined && (said.pairs.length === 0 ? <p role="status">{text.replay.noneAtAll}</p> : <ReplayList replay={said} named={subjects.length !== 1} />)}
    </>
  );
}
