/**
 * What a press puts in its own place takes no press for a moment: a second tap there was meant for what is gone, and
 * would do what nobody chose.
 */

export const MOMENT_MS = 700;
/** What comes to a place so long after a press has nothing to do with it. */
const LATER_MS = 5000;
/** What does something; to follow a link, to open a fold or to begin to type does no harm. */
const TICKED = "input:is([type=checkbox], [type=radio])";
const PRESSABLE = `button, ${TICKED}, label:has(${TICKED})`;

/** What can be pressed: a button that stays but says something else does something else. */
export interface Pressable<Part> {
  part: Part | null;
  says: string;
}

/** The place of the last press: what can be pressed there now, and since when. Pure. */
export class Place<Part> {
  there: Pressable<Part>;
  private sinceMs = -Infinity;

  constructor(there: Pressable<Part>) {
    this.there = there;
  }

  /** Tells whether something else is there than before. */
  look(there: Pressable<Part>, nowMs: number): boolean {
    if (there.part === this.there.part && there.says === this.there.says) return false;
    this.there = there;
    this.sinceMs = nowMs;
    return true;
  }

  isFresh(nowMs: number): boolean {
    return nowMs - this.sinceMs < MOMENT_MS;
  }
}

interface Press {
  /** Where the pointer was; null: the key was pressed where the focus is. */
  spot: { x: number; y: number } | null;
  atMs: number;
  place: Place<Element>;
  /** Other things came to the spot since, by scrolling; what had come there before still rests. */
  scrolled: boolean;
}

function pressableAt(spot: Press["spot"]): Pressable<Element> {
  const at = spot === null ? document.activeElement : document.elementFromPoint(spot.x, spot.y);
  const part = at?.closest(PRESSABLE) ?? null;
  return { part, says: part instanceof HTMLButtonElement ? `${part.ariaLabel ?? ""}${part.textContent}` : "" };
}

/** Says of a part that it can't be pressed yet, to the eye and to a screen reader; gives what says that it can. */
function rest(part: Element | null): () => void {
  const control = part instanceof HTMLLabelElement ? part.control : part;
  if (control === null) return () => undefined;
  control.ariaDisabled = "true";
  const timer = setTimeout(() => control.removeAttribute("aria-disabled"), MOMENT_MS);
  return () => {
    clearTimeout(timer);
    control.removeAttribute("aria-disabled");
  };
}

/** Watches the place of each press, for the life of the page. */
export function guardPresses(): void {
  let last: Press | null = null;
  let byKey = false;
  let wake = (): void => undefined;
  const forget = (): void => {
    last = null;
    wake();
  };

  const look = (): void => {
    if (last === null || last.scrolled) return;
    const nowMs = performance.now();
    if (nowMs - last.atMs > LATER_MS) return forget();
    const there = pressableAt(last.spot);
    if (!last.place.look(there, nowMs)) return;
    wake();
    wake = rest(there.part);
  };

  const isThere = (target: EventTarget | null): boolean =>
    target instanceof Node && last?.place.there.part?.contains(target) === true;

  document.addEventListener(
    "click",
    (event) => {
      // A label passes its click on, without a pointer and without a key; a script's click is no press.
      if (!event.isTrusted || (event.detail === 0 && !byKey)) return;
      if (isThere(event.target) && last?.place.isFresh(performance.now()) === true) {
        event.preventDefault();
        event.stopImmediatePropagation();
        return;
      }
      wake();
      const spot = byKey ? null : { x: event.clientX, y: event.clientY };
      last = { spot, atMs: performance.now(), place: new Place(pressableAt(spot)), scrolled: false };
    },
    true,
  );
  document.addEventListener(
    "pointerdown",
    () => {
      byKey = false;
      // The pointer takes the focus with it.
      if (last?.spot === null) forget();
    },
    true,
  );
  document.addEventListener(
    "keydown",
    ({ key }) => {
      byKey = key === "Enter" || key === " ";
      // Whoever goes on to something else by a key means what is there.
      if (!byKey) forget();
    },
    true,
  );
  // Scrolled, other things come to the place on purpose.
  document.addEventListener("pointercancel", forget, true);
  document.addEventListener("wheel", forget, { capture: true, passive: true });
  const scroll = (): void => {
    if (last !== null && last.spot !== null) last.scrolled = true;
  };
  document.addEventListener("scroll", scroll, { capture: true, passive: true });
  new MutationObserver(look).observe(document.body, { childList: true, subtree: true, characterData: true, attributes: true });
}
