/** Log entries go out through a queue: kept in the browser first, sent in order, each once. */

import { useEffect, useState } from "preact/hooks";
import * as api from "../api.ts";
import { onHeard, touched } from "../resources.ts";
import type { LogEntry, NewLogEntry } from "../shapes.ts";
import { text } from "../text/text.ts";
import * as db from "./db.ts";
import { deviceKey, madeHere } from "./keys.ts";

/** An entry with its time and its key, as it is sent. */
export type Filed = NewLogEntry & { at: string; key: string };

/** What is in the queue: on its way, refused by the service, or sent but noted by somebody else too. */
export interface Pending {
  n?: number;
  entry: Filed;
  photos?: readonly Blob[];
  /** Tried without an answer, so that it is sent late. */
  late: boolean;
  trouble: { refused: string } | { also: LogEntry } | null;
}
export type Queued = Pending & { n: number };

export type Outcome = "waiting" | LogEntry | api.Failure;

/** Another's entry of the same kind this long before ours may be the same deed. */
const SAME_DEED_MS = 6 * 3_600_000;
const TRY_AGAIN_MS = 15_000;

let queued: readonly Queued[] = [];
const watchers = new Set<() => void>();

async function look(): Promise<void> {
  queued = await db.all<Queued>("queue");
  for (const watch of watchers) watch();
}

/** What is in the queue, in order; the screen is drawn again when it changes. */
export function useQueue(): readonly Queued[] {
  const [, redraw] = useState(queued);
  useEffect(() => {
    const watch = (): void => redraw(queued);
    watchers.add(watch);
    watch();
    return () => void watchers.delete(watch);
  }, []);
  return queued;
}

/** Keeps an entry, tries to send it, and tells what became of it. A refused one is not kept: it is told at once. */
export async function file(entry: NewLogEntry & { at: string }, photos: readonly Blob[] = []): Promise<{ filed: Filed; outcome: Outcome }> {
  const filed: Filed = { ...entry, key: deviceKey() };
  const pending: Pending = { entry: filed, photos, late: false, trouble: null };
  const n = Number(await db.put("queue", pending));
  await look();
  const sent = flush();
  // Behind one that got no answer it waits its turn, and nobody need stand and wait with it.
  if (queued.some((q) => q.late && q.trouble === null)) return { filed, outcome: "waiting" };
  const outcome = (await sent).get(n) ?? "waiting";
  if (outcome instanceof api.Failure) await drop(n);
  return { filed, outcome };
}

/** Takes an entry back: out of the queue where it still waits, else out of the log. */
export async function takeBack(filed: Filed): Promise<void> {
  await passes;
  await look();
  const waiting = queued.find((q) => q.entry.key === filed.key);
  if (waiting !== undefined) await drop(waiting.n);
  if (waiting?.trouble === null) return;
  const kept = (await api.getLogSince(filed.subject, filed.kind, filed.at)).find((entry) => entry.key === filed.key);
  if (kept === undefined) return;
  await api.deleteLogEntry(kept.id);
  touched({ kind: "log", id: String(kept.id) }, filed.subject);
}

export async function drop(n: number): Promise<void> {
  await db.remove("queue", n);
  await look();
}

let passes: Promise<unknown> = Promise.resolve();
/** The pass that has yet to begin; it will see all that is filed until then. */
let next: Promise<Map<number, Outcome>> | undefined;

/** Sends what waits, one after the other; stops at the first that gets no answer. Gives what became of each. */
export function flush(): Promise<Map<number, Outcome>> {
  next ??= passes.then(() => {
    next = undefined;
    return send();
  });
  passes = next.catch(() => undefined);
  return next;
}

async function send(): Promise<Map<number, Outcome>> {
  const outcomes = new Map<number, Outcome>();
  await look();
  for (const item of queued.filter((q) => q.trouble === null)) {
    try {
      const also = item.late ? await sameDeed(item.entry) : undefined;
      const kept = await api.addLogEntry(item.entry);
      const refused = await sendPhotos(kept.id, item.photos ?? []);
      if (refused !== null) await db.put("queue", { ...item, trouble: { refused } });
      else if (also === undefined) await db.remove("queue", item.n);
      else await db.put("queue", { ...item, trouble: { also } });
      outcomes.set(item.n, kept);
      touched({ kind: "log", id: String(kept.id) }, item.entry.subject);
    } catch (error) {
      if (!(error instanceof api.Failure)) throw error;
      if (isPassing(error)) {
        // What stands behind it waits too.
        for (const q of queued) if (q.n >= item.n && !q.late && q.trouble === null) await db.put("queue", { ...q, late: true });
        break;
      }
      outcomes.set(item.n, error);
      await db.put("queue", { ...item, trouble: { refused: error.message } });
    }
  }
  await look();
  return outcomes;
}

/** Why a photo was not taken, or null; throws where the service gives no answer, for another try. */
async function sendPhotos(entry: number, photos: readonly Blob[]): Promise<string | null> {
  for (const photo of photos) {
    try {
      await api.addPhoto(entry, photo);
    } catch (error) {
      if (!(error instanceof api.Failure) || isPassing(error)) throw error;
      return text.queue.photoRefused(error.message);
    }
  }
  return null;
}

/** Whether another try may go well. */
function isPassing(failure: api.Failure): boolean {
  return failure.status === 0 || failure.status >= 500 || failure.status === 429 || failure.status === 401;
}

/** What somebody else noted meanwhile that may be the same deed. */
async function sameDeed(entry: Filed): Promise<LogEntry | undefined> {
  const since = new Date(Date.parse(entry.at) - SAME_DEED_MS).toISOString();
  const found = await api.getLogSince(entry.subject, entry.kind, since);
  return found.find((other) => !madeHere(other.key));
}

/** Sends what an earlier visit left, and goes on trying while anything waits. */
export function startQueue(): void {
  void flush();
  onHeard(() => void flush());
  window.addEventListener("online", () => void flush());
  setInterval(() => {
    if (queued.some((q) => q.trouble === null)) void flush();
  }, TRY_AGAIN_MS);
}
