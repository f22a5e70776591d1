/** Keys of log entries: the device's own mark, then a number that no other entry has. */

const KEPT_AS = "underlid/device";

/** Hexadecimal digits by chance. Works without TLS too, where a browser has no randomUUID. */
export function chance(bytes: number): string {
  return [...crypto.getRandomValues(new Uint8Array(bytes))].map((b) => b.toString(16).padStart(2, "0")).join("");
}

function device(): string {
  const kept = localStorage.getItem(KEPT_AS);
  if (kept !== null && /^[0-9a-f]{16}$/.test(kept)) return kept;
  const made = chance(8);
  localStorage.setItem(KEPT_AS, made);
  return made;
}

export function deviceKey(): string {
  return `${device()}-${chance(16)}`;
}

export function madeHere(key: string | null): boolean {
  return key !== null && key.startsWith(`${device()}-`);
}
