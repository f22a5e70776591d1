import { useState } from "preact/hooks";
import { number } from "../format.ts";
import { When } from "../parts/Age.tsx";
import { text } from "../text/text.ts";
import { NumberField } from "./NumberField.tsx";
import type { DraftPoint } from "./points.ts";

interface PointListProps {
  points: DraftPoint[];
  change: (points: DraftPoint[]) => void;
}

/** The points gathered so far; one whose sample is still in the oven asks for its dry mass. */
export function PointList({ points, change }: PointListProps) {
  if (points.length === 0) return <p>{text.calibration.pointsNone}</p>;
  const replace = (old: DraftPoint, fresh: DraftPoint[]): void => change(points.flatMap((p) => (p === old ? fresh : [p])));
  return (
    <ul class="point-list">
      {points.map((point) => (
        <li key={`${point.at}${point.raw}`}>
          <strong class="figure">{text.calibration.pointAt(number(point.raw, 0))}</strong>
          <span>
            {saidOf(point)}{" "}
            <span class="hint">
              <When at={point.at} />
            </span>
          </span>
          <button
            type="button"
            class="quiet"
            aria-label={text.calibration.dropLabel(number(point.raw, 0))}
            onClick={() => replace(point, [])}
          >
            {text.calibration.drop}
          </button>
          {point.how === "oven" && point.after_g === null && (
            <DryMass point={point} enter={(after_g) => replace(point, [{ ...point, after_g }])} />
          )}
        </li>
      ))}
    </ul>
  );
}

function saidOf(point: DraftPoint): string {
  if (point.how === "given") return `${number(point.pct_wb, 1)} %`;
  if (point.after_g === null) return text.calibration.inOven;
  return `${point.before_g} g → ${point.after_g} g (${text.calibration.tare}: ${point.tare_g})`;
}

function DryMass({ point, enter }: { point: DraftPoint & { how: "oven" }; enter: (after_g: number) => void }) {
  const [after, setAfter] = useState("");
  return (
    <form
      class="dry-mass"
      onSubmit={(event) => {
        event.preventDefault();
        enter(Number(after));
      }}
    >
      <NumberField label={text.calibration.after} moreThan={point.tare_g} max={point.before_g} value={after} set={setAfter} />
      <button type="submit">{text.calibration.enter}</button>
    </form>
  );
}
