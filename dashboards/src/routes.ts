/** Addresses of the pages. Pure. */

import type { Subject } from "./shapes.ts";

/** Pages whose address is their name. */
const PLAIN = ["bins", "round", "alarms", "probes", "reports", "settings", "replay", "data", "users", "welcome"] as const;

export type Route =
  | { page: (typeof PLAIN)[number] | "not-found" }
  | { page: "bin" | "feed-store"; id: string }
  | { page: "twins"; id: string }
  | { page: "calibration"; channel: number };

export function parsePath(path: string): Route {
  const parts = path.split("/").filter((part) => part !== "");
  const [head, id] = parts;
  if (head === undefined) return { page: "bins" };
  const plain = PLAIN.find((page) => page === head);
  if (parts.length === 1 && plain !== undefined) return { page: plain };
  if (parts.length === 2 && id !== undefined && (head === "bins" || head === "feed-stores"))
    return { page: head === "bins" ? "bin" : "feed-store", id: decoded(id) };
  if (parts.length === 3 && id !== undefined && head === "probes" && parts[2] === "twins") return { page: "twins", id: decoded(id) };
  if (parts.length === 3 && head === "channels" && /^\d{1,9}$/.test(id ?? "") && parts[2] === "calibration")
    return { page: "calibration", channel: Number(id) };
  return { page: "not-found" };
}

function decoded(part: string): string {
  try {
    return decodeURIComponent(part);
  } catch {
    return part;
  }
}

/** Where a subject's own page is; places and probes are shown in a list. */
export function pathOf(subject: Subject): string {
  if (subject.kind === "bin") return `/bins/${encodeURIComponent(subject.id)}`;
  if (subject.kind === "feed-store") return `/feed-stores/${encodeURIComponent(subject.id)}`;
  return subject.kind === "probe" ? "/probes" : "/";
}

/** Where a probe's channels are compared with their twins. */
export function twinsPath(probe: string): string {
  return `/probes/${encodeURIComponent(probe)}/twins`;
}

/** Where a probe nobody has placed is placed: its form is open. */
export function placingPath(probe: string): string {
  return `/probes#probe-${encodeURIComponent(probe)}`;
}

/** Where a raw moisture channel is calibrated. */
export function calibrationPath(channel: number): string {
  return `/channels/${channel}/calibration`;
}
