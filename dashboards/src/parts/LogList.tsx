import { useState } from "preact/hooks";
import * as api from "../api.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { LogEntry, Subject } from "../shapes.ts";
import { text } from "../text/text.ts";
import { When } from "./Age.tsx";
import { For } from "./For.tsx";
import { Icon } from "./Icon.tsx";
import { LogDetails } from "./LogDetails.tsx";
import { describe } from "./LogForm.tsx";
import { FailureNote } from "./States.tsx";
import { say } from "./Status.tsx";

const FIRST = 8;

/** What was noted; each entry opens to what became of it, to be corrected or deleted. */
export function LogList({ subject, entries }: { subject: Subject; entries: LogEntry[] }) {
  const [all, setAll] = useState(false);
  const [gone, setGone] = useState<LogEntry>();
  return (
    <>
      {gone !== undefined && (
        <div class="note undo" role="status">
          <p>{text.log.deleted(describe(gone))}</p>
          <Restore entry={gone} words={text.probes.undo} done={() => setGone(undefined)} />
        </div>
      )}
      <ul class="log-list">
        {(all ? entries : entries.slice(0, FIRST)).map((entry) => (
          <Entry key={entry.id} entry={entry} gone={() => setGone(entry)} />
        ))}
      </ul>
      {entries.length > FIRST && (
        <button type="button" class="quiet" aria-expanded={all} onClick={() => setAll(!all)}>
          {all ? text.logForm.less : text.logForm.more}
        </button>
      )}
      <Deleted subject={subject} />
    </>
  );
}

function Entry({ entry, gone }: { entry: LogEntry; gone: () => void }) {
  const [open, setOpen] = useState(false);
  return (
    <li id={`log-${entry.id}`}>
      <details onToggle={(event) => setOpen(event.currentTarget.open)}>
        <summary>
          <Icon name={entry.kind} />
          <span>
            {describe(entry)}
            {entry.note !== "" && <em>{entry.note}</em>}
            {entry.corrected !== null && <em>{text.log.corrected}</em>}
          </span>
          <When at={entry.at} />
          <Icon name="down" />
        </summary>
        {open && <LogDetails entry={entry} gone={gone} />}
      </details>
      {entry.photos.length > 0 && (
        <ul class="photos">
          {entry.photos.map((photo, i) => (
            <li key={photo.id}>
              <a href={photo.url} target="_blank" rel="noopener">
                <img src={photo.small_url} alt={text.log.photoOf(describe(entry), i + 1, entry.photos.length)} loading="lazy" width={photo.width} height={photo.height} />
              </a>
            </li>
          ))}
        </ul>
      )}
    </li>
  );
}

function Restore({ entry, words, done }: { entry: LogEntry; words: string; done: () => void }) {
  const [failure, setFailure] = useState<api.Failure>();
  const restore = (): void => {
    api.restoreLogEntry(entry.id).then(
      () => {
        say(text.log.restored(describe(entry)));
        touched({ kind: "log", id: String(entry.id) }, entry.subject);
        done();
      },
      (error: unknown) => {
        if (error instanceof api.Failure) setFailure(error);
      },
    );
  };
  return (
    <>
      <button type="button" onClick={restore} aria-label={`${words}: ${describe(entry)}`}>
        {words}
      </button>
      {failure !== undefined && <FailureNote failure={failure} />}
    </>
  );
}

/** What was deleted here, and the way back. */
function Deleted({ subject }: { subject: Subject }) {
  const [open, setOpen] = useState(false);
  return (
    <details class="log-deleted" onToggle={(event) => setOpen(event.currentTarget.open)}>
      <summary>
        <Icon name="down" />
        {text.log.deletedOnes}
      </summary>
      {open && <DeletedList subject={subject} />}
    </details>
  );
}

function DeletedList({ subject }: { subject: Subject }) {
  const found = useResource(resources.deletedLogOf(subject));
  if (found.value === undefined) return found.failure === undefined ? null : <FailureNote failure={found.failure} again={found.again} />;
  if (found.value.length === 0) return <p class="hint">{text.log.deletedNone}</p>;
  return (
    <>
      <p class="hint">{text.log.deletedHint}</p>
      <ul class="log-list">
        {found.value.map((entry) => (
          <li key={entry.id} class="log-gone">
            <span>
              {describe(entry)} (<When at={entry.at} />)
            </span>
            <For role="keeper">
              <Restore entry={entry} words={text.log.restore} done={() => undefined} />
            </For>
          </li>
        ))}
      </ul>
    </>
  );
}
