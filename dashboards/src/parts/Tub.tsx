import type { StoredFeed } from "../shapes.ts";

/** A tub cut open: the frozen shell grows inward from the wall as it does in the tub. */
export function Tub({ feed }: { feed: StoredFeed | null }) {
  const frozen = Math.min(1, Math.max(0, feed?.frozen_fraction ?? 0));
  // What is frozen of an upright cylinder's volume goes by the cube of what is soft across.
  const soft = Math.cbrt(1 - frozen);
  const width = 46 * soft;
  const height = 56 * soft;
  return (
    <svg class={`tub tub-${feed?.state ?? "unknown"}`} viewBox="0 0 64 80" aria-hidden="true" focusable="false">
      <path class="tub-ice" d="M7 16h50l-3.500 60h-43z" />
      {soft > 0.08 && (
        <rect class="tub-soft" x={32 - width / 2} y={46 - height / 2} width={width} height={height} rx={Math.min(10, width / 3)} />
      )}
      {frozen > 0.05 && <path class="tub-crystals" d="M14 24l6 6M20 24l-6 6M44 66l6 6M50 66l-6 6M45 22l5 5M50 22l-5 5" />}
      <path class="tub-wall" d="M5.500 14 10 77.500h44L58.500 14" />
      <path class="tub-lid" d="M3 12h58M24 8h16" />
    </svg>
  );
}
