import type { Need } from "../need.ts";
import { needsPerson } from "../need.ts";
import { sentence } from "../format.ts";
import type { Condition, Position, PositionState, Quantity } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Age } from "./Age.tsx";
import { Value } from "./Value.tsx";

const LAYERS: readonly Position[] = ["top", "core", "base"];
const SHOWN: readonly Quantity[] = ["moisture", "temperature", "moisture-raw"];

/** What sits at a position, moisture before temperature. */
export function at(condition: Condition | null, position: Position): PositionState[] {
  return (condition?.positions ?? [])
    .filter((p) => p.position === position && SHOWN.includes(p.quantity))
    .sort((a, b) => SHOWN.indexOf(a.quantity) - SHOWN.indexOf(b.quantity));
}

interface SectionProps {
  name: string;
  condition: Condition | null;
  need: Need;
}

/** A bin cut open: lid (lifted where a person is needed), three layers, the feed pocket in its corner. */
export function Section({ name, condition, need }: SectionProps) {
  const pocket = at(condition, "pocket");
  return (
    <div class={pocket.length > 0 ? "section has-pocket" : "section"}>
      <Drawing lifted={needsPerson(need)} pocket={pocket.length > 0} condition={condition} />
      <dl class="layers" aria-label={text.bins.section(name)}>
        {LAYERS.map((position) => (
          <Layer key={position} position={position} values={at(condition, position)} />
        ))}
        {pocket.length > 0 && <Layer position="pocket" values={pocket} />}
      </dl>
    </div>
  );
}

function Layer({ position, values }: { position: Position; values: PositionState[] }) {
  const newest = values.reduce<string | null>((at, v) => (at === null || v.at > at ? v.at : at), null);
  return (
    <div class={`layer layer-${position}`}>
      <dt>{position === "pocket" ? text.bins.pocket : sentence(text.position[position])}</dt>
      <dd>
        {values.length === 0 && <span class="unmeasured">–</span>}
        <span class="values">
          {SHOWN.map((quantity) => (
            <Values key={quantity} of={values.filter((v) => v.quantity === quantity)} />
          ))}
          {newest !== null && values.every((v) => v.state === "stale") && <span class="silent">{text.offLimit.stale}</span>}
        </span>
        {newest !== null && (
          <span class="age">
            <Age at={newest} />
          </span>
        )}
      </dd>
    </div>
  );
}

/** What the probes of a layer say of one quantity, which stays in one line. */
function Values({ of }: { of: PositionState[] }) {
  if (of.length === 0) return null;
  return (
    <span class="values">
      {of.map((v) => (
        <Value key={v.channel} of={v} />
      ))}
    </span>
  );
}

/** The shapes behind the words; stretched to the size the words need. */
function Drawing({ lifted, pocket, condition }: { lifted: boolean; pocket: boolean; condition: Condition | null }) {
  const tint = (position: Position): string => {
    const off = at(condition, position).find((p) => p.state === "low" || p.state === "high");
    return `soil soil-${position}${off === undefined ? "" : ` soil-${off.quantity}-${off.state}`}`;
  };
  return (
    <svg class="drawing" viewBox="0 0 100 100" preserveAspectRatio="none" aria-hidden="true" focusable="false">
      <path class={tint("top")} d="M1.5 12h97l-.8 30c-8 2-15-2-24 0s-17 2-25 0-16-2-24 0-14 2-22.400 0z" />
      <path class={tint("core")} d="M2.300 41.500c8 2 14.400 2 22.400 0s16-2 24 0 16 2 25 0 16-2 24 0l-.8 29c-7 2-14-2-23-.5s-17 2.500-25 .5-16-2-24 0-13 2-21.800 0z" />
      <path class={tint("base")} d="M3.100 70c8.800 2.500 13.800 2 21.800 0s16-2 24 0 16 1 25-.5 16-1.500 23 .5L96 98.500H4z" />
      {pocket && <path class={tint("pocket")} d="M73 12h25.500l-.9 37c-3 4-9 5-14.500 4.500S74 49 72.500 40 71.500 20 73 12z" />}
      <path class="wall" d="M1 11 3.600 98.800h92.800L99 11" />
      <path class="lid" d={lifted ? "M.3 9.500 99 1" : "M.3 10h99.400"} />
    </svg>
  );
}
