import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { farmZone } from "../clock.ts";
import { fromShown, toShown, unitSign } from "../format.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { LogChange, LogEntry, LogKind } from "../shapes.ts";
import { text } from "../text/text.ts";
import { fieldToIso, LAST_MINUTE, toField } from "../when.ts";
import { describe, kindsFor, wordsFor } from "./LogForm.tsx";
import { FailureNote } from "./States.tsx";

/** Corrects an entry; `done` with what it reads now, or null where it was left as it was. */
export function CorrectForm({ entry, done }: { entry: LogEntry; done: (words: string | null) => void }) {
  const bins = useResource(resources.bins);
  const stores = useResource(resources.feedStores);
  const [zone] = useState(farmZone);
  const [kind, setKind] = useState<LogKind>(entry.kind);
  const [where, setWhere] = useState(`${entry.subject.kind}/${entry.subject.id}`);
  const [at, setAt] = useState(toField(Date.parse(entry.at), zone));
  const [amount, setAmount] = useState(() => shownAmount(entry));
  const [what, setWhat] = useState(entry.what);
  const [corner, setCorner] = useState(entry.corner);
  const [note, setNote] = useState(entry.note);
  const [failure, setFailure] = useState<api.Failure>();
  const [busy, setBusy] = useState(false);
  const kinds = kindsFor(entry.subject);
  const chosen = kinds.find((k) => k.kind === kind);
  const unit = chosen?.unit ?? null;

  const save = async (): Promise<void> => {
    const time = fieldToIso(at, zone);
    if (time === null) return setFailure(new api.Failure(422, text.failure.noTime));
    setBusy(true);
    setFailure(undefined);
    const [subjectKind = "bin", id = ""] = where.split("/");
    const change: LogChange = { kind, what, corner, note, subject: { kind: subjectKind as LogEntry["subject"]["kind"], id } };
    // A time not touched keeps its seconds, an amount not touched its digits.
    if (at !== toField(Date.parse(entry.at), zone)) change.at = time;
    if (amount !== shownAmount(entry) || kind !== entry.kind) {
      const value = amount === "" || unit === null ? null : Number(fromShown(Number(amount), unit).toFixed(4));
      change.amount_kg = unit === "kg" ? value : null;
      change.amount_l = unit === "l" ? value : null;
    }
    try {
      const after = await api.correctLogEntry(entry.id, change);
      touched({ kind: "log", id: String(entry.id) }, entry.subject, after.subject);
      done(text.log.isCorrected(describe(after)));
    } catch (error) {
      if (!(error instanceof api.Failure)) throw error;
      setFailure(error);
      setBusy(false);
    }
  };

  const list = `words-${entry.id}`;
  const here = { id: entry.subject.id, name: entry.subject.id };
  const things = (entry.subject.kind === "bin" ? bins.value : stores.value) ?? [here];
  return (
    <form
      class="asking"
      onSubmit={(event) => {
        event.preventDefault();
        void save();
      }}
    >
      <label>
        {text.log.kind}
        <select value={kind} onChange={(e) => setKind(e.currentTarget.value as LogKind)}>
          {kinds.map((k) => (
            <option key={k.kind} value={k.kind}>
              {text.logKind[k.kind]}
            </option>
          ))}
        </select>
      </label>
      <label>
        {text.log.where}
        <select value={where} onChange={(e) => setWhere(e.currentTarget.value)}>
          {things.map((thing) => (
            <option key={thing.id} value={`${entry.subject.kind}/${thing.id}`}>
              {thing.name}
            </option>
          ))}
        </select>
      </label>
      <label>
        {text.log.at}
        <input type="datetime-local" required max={LAST_MINUTE} value={at} onInput={(e) => setAt(e.currentTarget.value)} />
      </label>
      {unit !== null && (
        <label>
          {text.log.amount(unitSign(unit))}
          <input
            type="number"
            inputMode="decimal"
            min="0"
            step="any"
            required={chosen?.needsAmount === true}
            value={amount}
            onInput={(e) => setAmount(e.currentTarget.value)}
          />
        </label>
      )}
      <label>
        {text.log.what}
        <input type="text" list={list} maxLength={200} value={what} onInput={(e) => setWhat(e.currentTarget.value)} />
        <datalist id={list}>
          {wordsFor(kind).map((word) => (
            <option key={word} value={word} />
          ))}
        </datalist>
      </label>
      {kind === "fed" && (
        <label>
          {text.logForm.corner}
          <input type="text" maxLength={40} value={corner} onInput={(e) => setCorner(e.currentTarget.value)} />
        </label>
      )}
      <label>
        {text.logForm.note}
        <textarea rows={2} maxLength={2000} value={note} onInput={(e) => setNote(e.currentTarget.value)} />
      </label>
      <div class="buttons">
        <button type="submit" class="button-main" disabled={busy}>
          {text.log.save}
        </button>
        <button type="button" class="quiet" onClick={() => done(null)}>
          {text.logForm.cancel}
        </button>
      </div>
      {failure !== undefined && <FailureNote failure={failure} />}
    </form>
  );
}

/** The amount as the field shows it. */
function shownAmount(entry: LogEntry): string {
  const [value, unit] = entry.amount_kg !== null ? [entry.amount_kg, "kg"] : [entry.amount_l, "l"];
  return value === null ? "" : String(Number(toShown(value, unit as string).toFixed(3)));
}
