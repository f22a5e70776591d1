/** What the service last said, for a page that is opened while it can't be reached. */

import * as db from "./db.ts";

interface Said {
  key: string;
  value: unknown;
  /** By the clock of this device. */
  wallMs: number;
}

const PAUSE_MS = 10_000;
const keptAt = new Map<string, number>();

/** Keeps an answer, not more often than every few seconds. */
export function keep(key: string, value: unknown): void {
  const wallMs = Date.now();
  if (wallMs - (keptAt.get(key) ?? -Infinity) < PAUSE_MS) return;
  keptAt.set(key, wallMs);
  // A browser that keeps nothing (a private window) still shows what it hears.
  db.put("said", { key, value, wallMs } satisfies Said).catch(() => undefined);
}

export async function recall(key: string): Promise<{ value: unknown; wallMs: number } | undefined> {
  return db.get<Said>("said", key).catch(() => undefined);
}

/** Forgets all of it, as when somebody signs out. */
export async function forget(): Promise<void> {
  await db.clear("said").catch(() => undefined);
}
