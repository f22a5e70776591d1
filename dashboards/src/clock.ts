/** The farm's clock: ages on screen count from the service's time, which a demonstration runs faster. */

import { useEffect, useState } from "preact/hooks";
import type { Farm } from "./shapes.ts";

const TICK_MS = 2000;

let farmMs = Date.now();
let takenAt = performance.now();
let speed = 1;
let zone = "UTC";

/** Sets the clock by what the service just said. */
export function setClock(farm: Farm): void {
  farmMs = Date.parse(farm.now);
  takenAt = performance.now();
  speed = farm.speed;
  zone = farm.time_zone;
}

/** Now at the farm, in milliseconds since 1970. */
export function farmNow(): number {
  return farmMs + (performance.now() - takenAt) * speed;
}

export function farmZone(): string {
  return zone;
}

const watchers = new Set<() => void>();
let timer: ReturnType<typeof setInterval> | undefined;

/** A text made from the farm's time, made again as time passes; renders only where it changed. */
export function useTicking(make: (now: number) => string): string {
  const [, setSaid] = useState("");
  const words = make(farmNow());
  useEffect(() => {
    const tick = (): void => setSaid(make(farmNow()));
    tick();
    watchers.add(tick);
    timer ??= setInterval(() => watchers.forEach((watch) => watch()), TICK_MS);
    return () => {
      watchers.delete(tick);
      if (watchers.size > 0) return;
      clearInterval(timer);
      timer = undefined;
    };
  });
  return words;
}
