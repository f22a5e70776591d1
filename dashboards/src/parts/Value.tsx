import { offLimit, shortReading } from "../format.ts";
import type { PositionState } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Icon } from "./Icon.tsx";

/** One value with its trend; where it is off its limit, with the word for it. A silent one says so beside its age. */
export function Value({ of, judged = true }: { of: PositionState; judged?: boolean }) {
  const off = of.state === "stale" || !judged ? null : offLimit(of.state, of.quantity);
  const kind = of.state === "ok" || !judged ? "ok" : of.state === "stale" ? "stale" : `${of.quantity}-${of.state}`;
  return (
    <span class={`value value-${kind}`}>
      <span class="hidden">{text.quantity[of.quantity]} </span>
      <span class="figure">{shortReading(of.value, of.quantity, of.unit)}</span>
      {of.state !== "stale" && (
        <>
          <Icon name={of.trend} />
          <span class="hidden"> {text.trend[of.trend]} </span>
        </>
      )}
      {off !== null && <span class="off">{off}</span>}
    </span>
  );
}
