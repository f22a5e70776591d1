/** Which probes there are, in an order that no message changes. Pure. */

import type { Probe } from "./shapes.ts";

export function isPlaced(probe: Probe): boolean {
  return probe.channels.some((channel) => channel.placement !== null);
}

/** Those to be placed first, as they came; the placed ones by name. A card that moved would slip from under a finger. */
export function inOrder(probes: readonly Probe[]): Probe[] {
  const byName = (a: Probe, b: Probe): number => a.name.localeCompare(b.name, undefined, { numeric: true }) || a.id.localeCompare(b.id);
  return [...probes].sort((a, b) => {
    const [first, second] = [isPlaced(a), isPlaced(b)];
    if (first !== second) return first ? 1 : -1;
    return (first ? 0 : Date.parse(a.first_seen) - Date.parse(b.first_seen)) || byName(a, b);
  });
}
