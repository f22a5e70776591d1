import type { Failure } from "../api.ts";
import type { Loaded } from "../resources.ts";
import { Link } from "../router.tsx";
import { text } from "../text/text.ts";
import { Heading } from "./Heading.tsx";

export function Loading() {
  return (
    <div class="loading" role="status">
      <span class="hidden">{text.failure.loading}</span>
      <span class="loading-lid" aria-hidden="true" />
      <span class="loading-layer" aria-hidden="true" />
      <span class="loading-layer" aria-hidden="true" />
      <span class="loading-layer" aria-hidden="true" />
    </div>
  );
}

interface FailureNoteProps {
  failure: Failure;
  again?: () => void;
  /** Whether it stands in place of a whole page, and so carries its heading. */
  whole?: boolean;
}

export function FailureNote({ failure, again, whole = false }: FailureNoteProps) {
  return (
    <div class="note note-failure" role="alert">
      {whole ? <Heading title={text.failure.title} /> : <h2>{text.failure.title}</h2>}
      <p>{failure.message}</p>
      {again !== undefined && (
        <button type="button" onClick={again}>
          {text.failure.retry}
        </button>
      )}
    </div>
  );
}

export function NotFound({ detail }: { detail?: string }) {
  return <Instead title={text.failure.notFoundTitle} words={detail ?? text.failure.notFound} />;
}

/** In place of a page that is not there, or not for the person at this screen. */
export function Instead({ title, words }: { title: string; words: string }) {
  return (
    <div class="note">
      <Heading title={title} />
      <p>{words}</p>
      <p>
        <Link to="/" class="button">
          {text.failure.home}
        </Link>
      </p>
    </div>
  );
}

/** What to show in place of a page whose resource is not there: still coming, missing, or failed. */
export function Absent({ of }: { of: Loaded<unknown> & { again: () => void } }) {
  if (of.failure === undefined) return <Loading />;
  if (of.failure.status === 404) return <NotFound detail={of.failure.message} />;
  return <FailureNote failure={of.failure} again={of.again} whole />;
}
