import { useEffect, useReducer, useState } from "preact/hooks";
import { Failure } from "../api.ts";
import { text } from "../text/text.ts";

const SHOWN_MS = 6000;
/** To be read, found to be wrong, and taken back. */
const UNDO_SHOWN_MS = 15_000;

interface Said {
  words: string;
  undo?: Undo;
}
/** Takes back what was done and gives the words for it; throws a `Failure` where that can't be. */
type Undo = () => Promise<string>;

/** One message for the eye and for a screen reader at a time; gone after a while. */
class Notice {
  said: Said | null = null;
  private timer: ReturnType<typeof setTimeout> | undefined;

  set(said: Said | null): void {
    this.said = said;
    this.release();
    watchers.forEach((watch) => watch());
  }

  /** Stays for as long as somebody is at it. */
  hold(): void {
    clearTimeout(this.timer);
  }

  release(): void {
    clearTimeout(this.timer);
    if (this.said !== null) this.timer = setTimeout(() => this.set(null), this.said.undo === undefined ? SHOWN_MS : UNDO_SHOWN_MS);
  }
}

const watchers = new Set<() => void>();
const calm = new Notice();
const urgent = new Notice();

/** Says what was done, for the eye and for a screen reader; urgent words interrupt. */
export function say(words: string, isUrgent = false): void {
  (isUrgent ? urgent : calm).set({ words });
}

/** Says what was done, and offers for a while to take it back. */
export function sayUndoable(words: string, undo: Undo): void {
  calm.set({ words, undo });
}

/** Both regions stay in the page, since a screen reader hears only those that were there before the words. */
export function Status() {
  const [, redraw] = useReducer<number, void>((n) => n + 1, 0);
  useEffect(() => {
    const watch = (): void => redraw();
    watchers.add(watch);
    return () => void watchers.delete(watch);
  }, []);
  return (
    <div class="status">
      <div role="alert">{urgent.said !== null && <p class="status-urgent">{urgent.said.words}</p>}</div>
      <div role="status">
        {calm.said !== null && (
          <p onMouseEnter={() => calm.hold()} onMouseLeave={() => calm.release()} onFocusIn={() => calm.hold()} onFocusOut={() => calm.release()}>
            {calm.said.words}
            {calm.said.undo !== undefined && <UndoButton key={calm.said.words} words={calm.said.words} undo={calm.said.undo} />}
          </p>
        )}
      </div>
    </div>
  );
}

function UndoButton({ words, undo }: { words: string; undo: Undo }) {
  const [busy, setBusy] = useState(false);
  const press = (): void => {
    setBusy(true);
    // The button goes with its message; whoever works by keyboard stays on the page.
    document.getElementById("content")?.focus({ preventScroll: true });
    undo()
      .then(say, (error: unknown) => {
        if (!(error instanceof Failure)) throw error;
        say(error.message, true);
      })
      .finally(() => setBusy(false));
  };
  return (
    <button type="button" disabled={busy} aria-label={`${text.probes.undo}: ${words}`} onClick={press}>
      {text.probes.undo}
    </button>
  );
}
