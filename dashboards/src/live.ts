/** The event stream: nudges ("bin alder changed") gathered for a moment, and whether we still hear any. */

export interface Nudge {
  kind: string;
  id: string;
}

/** A gathered batch of nudges, or "all" after a gap in which anything may have changed. */
export type Batch = readonly Nudge[] | "all";

export type Link = { state: "connecting" | "live" } | { state: "stale"; sinceMs: number };

/** The part of EventSource that is used; tests put in their own. */
export interface Stream {
  readonly readyState: number;
  addEventListener(type: string, listener: (event: { data?: string }) => void): void;
  close(): void;
}

const GATHER_MS = 150;
const FIRST_PAUSE_MS = 2000;
const PAUSE_MS = 1000;
const RETRY_MS = [1000, 2000, 5000, 10_000, 20_000] as const;
const CLOSED = 2;

/** Collects nudges; hands them on after a quiet moment at first, then at most once per pause. */
export class Gatherer {
  private readonly hand: (batch: Batch) => void;
  private waiting = new Map<string, Nudge>();
  private everything = false;
  private timer: ReturnType<typeof setTimeout> | undefined;
  private lastHanded = -Infinity;

  constructor(hand: (batch: Batch) => void) {
    this.hand = hand;
  }

  add(nudge: Nudge | "all", now: number): void {
    if (nudge === "all") this.everything = true;
    else this.waiting.set(`${nudge.kind}/${nudge.id}`, nudge);
    if (this.timer !== undefined) return;
    const delay = Math.max(GATHER_MS, this.lastHanded + PAUSE_MS - now);
    this.timer = setTimeout(() => this.flush(now + delay), delay);
  }

  stop(): void {
    clearTimeout(this.timer);
    this.timer = undefined;
  }

  private flush(now: number): void {
    this.timer = undefined;
    this.lastHanded = now;
    const batch: Batch = this.everything ? "all" : [...this.waiting.values()];
    this.waiting = new Map();
    this.everything = false;
    this.hand(batch);
  }
}

/** Keeps one stream open, opens it again when it breaks, and tells how the link stands. */
export class Listener {
  private readonly open: () => Stream;
  private readonly gatherer: Gatherer;
  private readonly onLink: (link: Link) => void;
  private readonly clock: () => number;
  private stream: Stream | undefined;
  private retry: ReturnType<typeof setTimeout> | undefined;
  private failures = 0;
  private isFresh = true;
  /** Nobody looks: no stream is held, of which a browser has but six for a service. */
  private isAway = false;
  /** Things may have changed that nobody told of. */
  private missed = false;
  link: Link = { state: "connecting" };

  constructor(
    open: () => Stream,
    onBatch: (batch: Batch) => void,
    onLink: (link: Link) => void,
    clock: () => number = Date.now,
  ) {
    this.open = open;
    this.gatherer = new Gatherer(onBatch);
    this.onLink = onLink;
    this.clock = clock;
  }

  start(): void {
    this.stop();
    if (this.isAway) return;
    const stream = this.open();
    this.stream = stream;
    stream.addEventListener("open", () => this.heard());
    stream.addEventListener("resync", () => this.everything());
    stream.addEventListener("changed", (event) => {
      const nudge = parseNudge(event.data);
      this.gatherer.add(nudge ?? "all", Date.now());
    });
    stream.addEventListener("error", () => this.lost(stream));
  }

  stop(): void {
    clearTimeout(this.retry);
    this.gatherer.stop();
    this.stream?.close();
    this.stream = undefined;
  }

  /** Listens no more until `back`: the link is not lost, only left. */
  leave(): void {
    this.isAway = true;
    this.stop();
  }

  /** Listens again; whatever happened meanwhile is fetched once it does. */
  back(): void {
    if (!this.isAway) return;
    this.isAway = false;
    this.isFresh = false;
    this.missed = true;
    this.start();
  }

  /** Says that a request failed to reach the service, which the stream itself may notice late or never. */
  unreachable(): void {
    if (this.link.state !== "live" || this.isAway) return;
    this.setStale();
    this.start();
  }

  /** Says since when nothing was heard, where an answer kept from then is shown. */
  lostSince(ms: number): void {
    if (this.link.state !== "live") this.setLink({ state: "stale", sinceMs: ms });
  }

  private heard(): void {
    this.failures = 0;
    // Whatever happened while nobody listened was not told: fetch all again.
    if (this.link.state === "stale" || this.missed) {
      this.isFresh = false;
      this.everything();
    } else
      setTimeout(() => {
        this.isFresh = false;
        this.everything();
      }, FIRST_PAUSE_MS);
    this.missed = false;
    this.setLink({ state: "live" });
  }

  /** On a page just opened all is being fetched already, and what slipped in between can wait until it is drawn. */
  private everything(): void {
    if (!this.isFresh) this.gatherer.add("all", Date.now());
  }

  private lost(stream: Stream): void {
    this.setStale();
    // A browser opens a broken stream again by itself, but gives up on one that was refused.
    if (stream.readyState !== CLOSED || stream !== this.stream) return;
    clearTimeout(this.retry);
    const delay = RETRY_MS[Math.min(this.failures, RETRY_MS.length - 1)] ?? PAUSE_MS;
    this.failures += 1;
    this.retry = setTimeout(() => this.start(), delay);
  }

  private setStale(): void {
    if (this.link.state !== "stale") this.setLink({ state: "stale", sinceMs: this.clock() });
  }

  private setLink(link: Link): void {
    this.link = link;
    this.onLink(link);
  }
}

/** A nudge from an event's data, or null where it can't be read. Pure. */
export function parseNudge(data: string | undefined): Nudge | null {
  try {
    const said: unknown = JSON.parse(data ?? "");
    if (typeof said !== "object" || said === null || !("kind" in said) || !("id" in said)) return null;
    return { kind: String(said.kind), id: String(said.id) };
  } catch {
    return null;
  }
}
