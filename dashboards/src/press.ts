/**
 * What a press puts in its own place takes no press for a moment: a second tap there was meant for what is gone, and
 * would do what nobody chose.
 */

export const MOMENT_MS = 700;
/** A second tap of a thumb lands this near the first. */
const NEAR_PX = 24;
const PRESSABLE = "button, a[href], summary, label, input, select, textarea";

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
  place: Place<Element>;
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
  const wake = (): void => control.removeAttribute("aria-disabled");
  setTimeout(wake, MOMENT_MS);
  return wake;
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
    if (last === null) return;
    const there = pressableAt(last.spot);
    if (!last.place.look(there, performance.now())) return;
    wake();
    wake = rest(there.part);
  };

  const isThere = ({ target, clientX, clientY }: MouseEvent): boolean => {
    if (last === null) return false;
    const { part } = last.place.there;
    if (part !== null && target instanceof Node && part.contains(target)) return true;
    return !byKey && last.spot !== null && Math.hypot(clientX - last.spot.x, clientY - last.spot.y) <= NEAR_PX;
  };

  document.addEventListener(
    "click",
    (event) => {
      // A label passes its click on, without a pointer and without a key; a script's click is no press.
      if (!event.isTrusted || (event.detail === 0 && !byKey)) return;
      look();
      if (isThere(event) && last?.place.isFresh(performance.now()) === true) {
        event.preventDefault();
        event.stopImmediatePropagation();
        return;
      }
      wake();
      const spot = byKey ? null : { x: event.clientX, y: event.clientY };
      last = { spot, place: new Place(pressableAt(spot)) };
    },
    true,
  );
  document.addEventListener("pointerdown", () => void (byKey = false), true);
  document.addEventListener(
    "keydown",
    ({ key }) => {
      byKey = key === "Enter" || key === " ";
      // Whoever goes on to something else by a key means what is there.
      if (!byKey) forget();
    },
    true,
  );
  // Scrolled by hand, other things come to the place on purpose; a page that became shorter scrolls by itself.
  document.addEventListener("pointercancel", forget, true);
  document.addEventListener("wheel", forget, { capture: true, passive: true });
  document.addEventListener("scroll", look, { capture: true, passive: true });
  new MutationObserver(look).observe(document.body, { childList: true, subtree: true, characterData: true, attributes: true });
}
