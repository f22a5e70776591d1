import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { amount, fromShown, toShown, unitSign } from "../format.ts";
import { farmNow } from "../clock.ts";
import { file, takeBack } from "../offline/queue.ts";
import type { LogKind, NewLogEntry, Subject } from "../shapes.ts";
import { text } from "../text/text.ts";
import { type Viewer, viewer } from "../viewer.ts";
import { Icon } from "./Icon.tsx";
import { shrunk } from "../shrink.ts";
import { PhotoField } from "./PhotoField.tsx";
import { FailureNote } from "./States.tsx";
import { sayUndoable } from "./Status.tsx";

export interface Kind {
  kind: LogKind;
  unit: "kg" | "l" | null;
  /** Amounts one tap away, in each unit a viewer may have. */
  amounts: Partial<Record<Viewer["mass"] | Viewer["volume"], readonly number[]>>;
  needsAmount: boolean;
}

export const KINDS: readonly Kind[] = [
  { kind: "fed", unit: "kg", amounts: { kg: [0.25, 0.5, 1, 1.5, 2], lb: [0.5, 1, 2, 3, 5] }, needsAmount: true },
  { kind: "wetted", unit: "l", amounts: { L: [0.5, 1, 1.5, 2, 3], gal: [0.1, 0.25, 0.5, 0.75, 1] }, needsAmount: true },
  { kind: "turned", unit: null, amounts: {}, needsAmount: false },
  { kind: "bedding", unit: "kg", amounts: { kg: [0.25, 0.5, 1, 2], lb: [0.5, 1, 2, 5] }, needsAmount: true },
  { kind: "seen", unit: null, amounts: {}, needsAmount: false },
  { kind: "harvest", unit: "kg", amounts: { kg: [1, 2, 5, 10], lb: [2, 5, 10, 20] }, needsAmount: true },
  { kind: "worms", unit: "kg", amounts: { kg: [0.25, 0.5, 1], lb: [0.5, 1, 2] }, needsAmount: true },
  { kind: "split", unit: null, amounts: {}, needsAmount: false },
  { kind: "lid", unit: null, amounts: {}, needsAmount: false },
];
const USUAL = 3;

/** The kinds of entry that fit a feed store: it is filled and turned, not wetted or harvested. */
const STORE_KINDS: readonly LogKind[] = ["fed", "turned", "seen", "lid"];

/** The kinds of entry that fit a subject. */
export function kindsFor(subject: Subject): readonly Kind[] {
  return subject.kind === "bin" ? KINDS : KINDS.filter((k) => STORE_KINDS.includes(k.kind));
}

/** Words that are offered for what was fed, seen, and so on. */
export function wordsFor(kind: LogKind): readonly string[] {
  if (kind === "seen") return text.logForm.sights;
  if (kind === "worms") return text.logForm.weighed;
  return kind === "fed" || kind === "bedding" ? (kind === "fed" ? text.logForm.foods : text.logForm.beddings) : [];
}

/**
 * Writes an entry of now and says so, gives its key; throws a `Failure` where it was refused. Without the service it
 * waits. One tap may have been one too many: it can be taken back for a while, which `undone` hears of.
 */
export async function writeLog(entry: NewLogEntry, photos: readonly Blob[] = [], undone: () => void = () => undefined): Promise<string> {
  const { filed, outcome } = await file({ ...entry, at: new Date(farmNow()).toISOString() }, photos);
  if (outcome instanceof api.Failure) throw outcome;
  sayUndoable(outcome === "waiting" ? text.queue.kept : text.logForm.done(describe(outcome)), async () => {
    await takeBack(filed);
    undone();
    return text.log.deleted(describeNew(filed));
  });
  return filed.key;
}

/** An entry in a few words: "Fed 0.5 kg coffee grounds, back left". */
export function describe(entry: {
  kind: LogKind;
  amount_kg: number | null;
  amount_l: number | null;
  what: string;
  corner: string;
}): string {
  const words: string[] = [text.logKind[entry.kind]];
  if (entry.amount_kg) words.push(amount(entry.amount_kg, "kg"));
  if (entry.amount_l) words.push(amount(entry.amount_l, "l"));
  // "Fed 0.5 kg leaves" and "Seen mites", but "Lid opened, propped open"
  const told = words.join(" ");
  const what = entry.what === "" ? "" : `${words.length > 1 || entry.kind === "seen" ? "" : ","} ${entry.what}`;
  return told + what + (entry.corner === "" ? "" : `, ${entry.corner}`);
}

/** The same of an entry that is not with the service yet. */
export function describeNew({ kind, amount_kg, amount_l, what, corner }: NewLogEntry): string {
  return describe({ kind, amount_kg: amount_kg ?? null, amount_l: amount_l ?? null, what: what ?? "", corner: corner ?? "" });
}

interface LogFormProps {
  subject: Subject;
  /** Amounts the standing alarms advise, offered first. */
  advised: { kg?: number; l?: number };
}

/** Two taps for the usual things: what was done, then how much. */
export function LogForm({ subject, advised }: LogFormProps) {
  const [chosen, setChosen] = useState<Kind | null>(null);
  const [more, setMore] = useState(false);
  const fitting = kindsFor(subject);
  const shown = more ? fitting : fitting.slice(0, USUAL);
  return (
    <div class="log-form">
      <div class="log-kinds" role="group" aria-label={text.logForm.title}>
        {shown.map((kind) => (
          <button
            key={kind.kind}
            type="button"
            class="log-kind"
            aria-expanded={chosen?.kind === kind.kind}
            onClick={() => setChosen(chosen?.kind === kind.kind ? null : kind)}
          >
            <Icon name={kind.kind} />
            {text.logKind[kind.kind]}
          </button>
        ))}
        <button type="button" class="log-kind quiet" aria-expanded={more} onClick={() => setMore(!more)}>
          {more ? text.logForm.less : text.logForm.more}
        </button>
      </div>
      {chosen !== null && (
        <Entry key={chosen.kind} kind={chosen} subject={subject} advised={advised} done={() => setChosen(null)} />
      )}
    </div>
  );
}

/** An amount as it is typed, in the viewer's unit. */
function shownAmount(value: number, unit: string): string {
  return String(Number(toShown(value, unit).toFixed(3)));
}

function Entry({ kind, subject, advised, done }: LogFormProps & { kind: Kind; done: () => void }) {
  const [own, setOwn] = useState("");
  /** With more to say, an amount is chosen; else it is all there is to say, and logs. */
  const [detailed, setDetailed] = useState(kind.kind === "seen" || kind.kind === "split");
  const [what, setWhat] = useState("");
  const [corner, setCorner] = useState("");
  const [note, setNote] = useState("");
  const [frozen, setFrozen] = useState(false);
  const [photos, setPhotos] = useState<readonly Blob[]>([]);
  const [busy, setBusy] = useState(false);
  const [failure, setFailure] = useState<api.Failure>();

  const save = async (value: number | null): Promise<void> => {
    setBusy(true);
    const told = [frozen ? text.logForm.wasFrozen : "", note].filter((words) => words !== "").join("; ");
    const entry: NewLogEntry = { subject, kind: kind.kind, what, corner, note: told };
    if (value !== null && kind.unit === "kg") entry.amount_kg = Number(value.toFixed(4));
    if (value !== null && kind.unit === "l") entry.amount_l = Number(value.toFixed(4));
    try {
      await writeLog(entry, photos);
      done();
    } catch (error) {
      if (!(error instanceof api.Failure)) throw error;
      setFailure(error);
      setBusy(false);
    }
  };

  const unit = kind.unit;
  const hint = kind.kind === "fed" ? advised.kg : kind.kind === "wetted" ? advised.l : undefined;
  const usual = (kind.amounts[unit === "l" ? viewer.volume : viewer.mass] ?? []).map((a) => fromShown(a, unit ?? ""));
  const amounts = hint === undefined ? usual : [hint, ...usual.filter((a) => a !== hint)];
  const words = wordsFor(kind.kind);
  const question = text.logForm.amountOf[kind.kind];
  const whatLabel = text.logForm.what[kind.kind];
  return (
    <form
      class="log-entry"
      onSubmit={(event) => {
        event.preventDefault();
        void save(unit === null || own === "" ? null : fromShown(Number(own), unit));
      }}
    >
      {unit !== null && (
        <fieldset>
          <legend>{question}</legend>
          <div class="buttons">
            {amounts.map((value) => (
              <button
                key={value}
                type="button"
                class={value === hint && !detailed ? "button-main" : ""}
                aria-pressed={detailed ? own === shownAmount(value, unit) : undefined}
                disabled={busy}
                onClick={() => (detailed ? setOwn(shownAmount(value, unit)) : void save(value))}
              >
                {amount(value, unit)}
                {value === hint && <small>{text.logForm.asAdvised}</small>}
              </button>
            ))}
            <label class="own-amount">
              <span class="hidden">
                {text.logForm.other} ({unitSign(unit)})
              </span>
              <input
                type="number"
                inputMode="decimal"
                min="0"
                step="any"
                placeholder={`… ${unitSign(unit)}`}
                required={kind.needsAmount}
                value={own}
                onInput={(e) => setOwn(e.currentTarget.value)}
              />
            </label>
          </div>
        </fieldset>
      )}
      <details open={detailed} onToggle={(event) => setDetailed(event.currentTarget.open)}>
        <summary>
          <Icon name="down" />
          {text.logForm.detail}
        </summary>
        {whatLabel !== undefined && (
          <label>
            {whatLabel}
            <input type="text" list={`what-${kind.kind}`} maxLength={200} value={what} onInput={(e) => setWhat(e.currentTarget.value)} />
            <datalist id={`what-${kind.kind}`}>
              {words.map((word) => (
                <option key={word} value={word} />
              ))}
            </datalist>
          </label>
        )}
        {kind.kind === "fed" && subject.kind === "bin" && (
          <fieldset>
            <legend>{text.logForm.corner}</legend>
            <div class="buttons">
              {text.logForm.corners.map((c) => (
                <button key={c} type="button" aria-pressed={corner === c} onClick={() => setCorner(corner === c ? "" : c)}>
                  {c}
                </button>
              ))}
            </div>
          </fieldset>
        )}
        {kind.kind === "fed" && subject.kind === "bin" && (
          <label class="check">
            <input type="checkbox" checked={frozen} onChange={(e) => setFrozen(e.currentTarget.checked)} />
            {text.logForm.frozenBefore}
          </label>
        )}
        <label>
          {text.logForm.note}
          <textarea rows={2} maxLength={2000} value={note} onInput={(e) => setNote(e.currentTarget.value)} />
        </label>
      </details>
      <div class="buttons">
        <button type="submit" class="button-main" disabled={busy}>
          {text.logForm.save}
        </button>
        <PhotoField chosen={photos.length} disabled={busy} choose={(chosen) => void Promise.all(chosen.map(shrunk)).then((small) => setPhotos([...photos, ...small]))} />
        <button type="button" class="quiet" onClick={done}>
          {text.logForm.cancel}
        </button>
      </div>
      {failure !== undefined && <FailureNote failure={failure} />}
    </form>
  );
}
