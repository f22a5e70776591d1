import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { useTicking } from "../clock.ts";
import { age, inUnits, span, withoutName } from "../format.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { LogDetail, LogEntry, Photo } from "../shapes.ts";
import { shrunk } from "../shrink.ts";
import { text } from "../text/text.ts";
import { When } from "./Age.tsx";
import { CorrectForm } from "./CorrectForm.tsx";
import { describe } from "./LogForm.tsx";
import { For } from "./For.tsx";
import { PhotoField } from "./PhotoField.tsx";
import { FailureNote, Loading } from "./States.tsx";
import { say } from "./Status.tsx";

const HOUR = 3_600_000;

/** What the rules made of an entry, how it read before, and what can be done with it. */
export function LogDetails({ entry, gone }: { entry: LogEntry; gone: () => void }) {
  const detail = useResource(resources.logEntry(entry.id));
  const [correcting, setCorrecting] = useState(false);
  const [failure, setFailure] = useState<api.Failure>();
  const [busy, setBusy] = useState(false);
  const run = (act: () => Promise<unknown>, words: string, after: () => void = () => undefined): void => {
    setBusy(true);
    act()
      .then(
        () => {
          setFailure(undefined);
          say(words);
          after();
          touched({ kind: "log", id: String(entry.id) }, entry.subject);
        },
        (error: unknown) => {
          if (error instanceof api.Failure) setFailure(error);
          else throw error;
        },
      )
      .finally(() => setBusy(false));
  };
  const addPhotos = async (chosen: File[]): Promise<void> => {
    for (const photo of chosen) await api.addPhoto(entry.id, await shrunk(photo));
  };
  return (
    <div class="log-details">
      {detail.value === undefined ? (
        detail.failure === undefined ? <Loading /> : <FailureNote failure={detail.failure} again={detail.again} />
      ) : (
        <Made of={detail.value} />
      )}
      <For role="keeper">
        {entry.photos.map((photo, i) => (
          <DeletePhoto key={photo.id} photo={photo} name={text.log.photoOf(describe(entry), i + 1, entry.photos.length)} run={run} />
        ))}
        {correcting ? (
          <CorrectForm
            entry={entry}
            done={(words) => {
              setCorrecting(false);
              if (words !== null) say(words);
            }}
          />
        ) : (
          <div class="buttons">
            <button type="button" disabled={busy} aria-label={text.log.correctLabel(describe(entry))} onClick={() => setCorrecting(true)}>
              {text.log.correct}
            </button>
            <PhotoField chosen={0} disabled={busy} choose={(chosen) => run(() => addPhotos(chosen), text.log.photoAdded)} />
            <button
              type="button"
              class="quiet"
              disabled={busy}
              aria-label={text.log.deleteLabel(describe(entry))}
              onClick={() => run(() => api.deleteLogEntry(entry.id), text.log.deleted(describe(entry)), gone)}
            >
              {text.log.delete}
            </button>
          </div>
        )}
      </For>
      {failure !== undefined && <FailureNote failure={failure} />}
    </div>
  );
}

/** What the rules read from it. */
function Made({ of }: { of: LogDetail }) {
  return (
    <>
      <h3>{text.log.made}</h3>
      <ul>
        {of.effects.map(({ effect, at }) => (
          <li key={effect}>
            {text.log.effects[effect]} {at !== null && effect !== "worm-mass" && <When at={at} />}
          </li>
        ))}
        {of.answers.map((answer) => (
          <li key={answer.alarm}>
            {text.log.answers(withoutName(inUnits(answer.headline), headOf(answer.headline)))}{" "}
            {answer.returned === null ? text.log.stillStands : text.log.overAfter(span((Date.parse(answer.returned) - Date.parse(of.at)) / HOUR))}
          </li>
        ))}
        {of.effects.length === 0 && of.answers.length === 0 && <li>{text.log.noRule}</li>}
      </ul>
      {of.earlier.length > 0 && (
        <>
          <h3>{text.log.before}</h3>
          <ul>
            {of.earlier.map((before) => (
              <li key={before.until}>
                {describe(before)} (<When at={before.at} />){before.note !== "" && <em> {before.note}</em>} <span class="hint"><Until at={before.until} /></span>
              </li>
            ))}
          </ul>
        </>
      )}
    </>
  );
}

/** The name that a headline starts with: "Alder: top too dry" gives "Alder". */
function headOf(headline: string): string {
  return headline.split(": ")[0] ?? "";
}

function Until({ at }: { at: string }) {
  return <>{text.log.correctedAgo(useTicking((now) => text.age.ago(age(Date.parse(at), now))))}</>;
}

type Run = (act: () => Promise<unknown>, words: string) => void;

/** A photo is deleted for good, so it is asked. */
function DeletePhoto({ photo, name, run }: { photo: Photo; name: string; run: Run }) {
  const [sure, setSure] = useState(false);
  if (!sure)
    return (
      <button type="button" class="quiet" onClick={() => setSure(true)}>
        {text.log.photoDelete(name)}
      </button>
    );
  return (
    <div class="asking">
      <p>{text.log.photoDeleteSure}</p>
      <div class="buttons">
        <button type="button" class="button-main" onClick={() => run(() => api.deletePhoto(photo.id), text.log.photoDeleted)}>
          {text.log.photoDeleteYes}
        </button>
        <button type="button" class="quiet" onClick={() => setSure(false)}>
          {text.logForm.cancel}
        </button>
      </div>
    </div>
  );
}
