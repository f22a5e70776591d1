import { useEffect, useReducer } from "preact/hooks";

const SHOWN_MS = 6000;
const watchers = new Set<() => void>();
let said = { words: "", urgent: false };
let timer: ReturnType<typeof setTimeout> | undefined;

/** Says what was done, for the eye and for a screen reader; urgent words interrupt. */
export function say(words: string, urgent = false): void {
  said = { words, urgent };
  clearTimeout(timer);
  timer = setTimeout(() => {
    said = { words: "", urgent: false };
    watchers.forEach((watch) => watch());
  }, SHOWN_MS);
  watchers.forEach((watch) => watch());
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
    <>
      <div class="status" role="status">
        {!said.urgent && said.words !== "" && <p>{said.words}</p>}
      </div>
      <div class="status" role="alert">
        {said.urgent && said.words !== "" && <p class="status-urgent">{said.words}</p>}
      </div>
    </>
  );
}
