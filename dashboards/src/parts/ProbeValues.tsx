import { DIFFERENCE, number, reading, toShown } from "../format.ts";
import { Link } from "../router.tsx";
import { calibrationPath } from "../routes.ts";
import type { Channel, Probe } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Age } from "./Age.tsx";

interface ProbeValuesProps {
  probe: Probe;
  /** What each channel said when the page was opened, to show which probe answers to a hand; null where not asked. */
  first: ReadonlyMap<number, number> | null;
}

/** The live values of a probe's channels. */
export function ProbeValues({ probe, first }: ProbeValuesProps) {
  return (
    <ul class={first === null ? "probe-values probe-values-short" : "probe-values"}>
      {probe.channels.map((channel) => {
        const latest = channel.latest;
        const before = first?.get(channel.id);
        const change = latest === null || before === undefined ? null : latest.value - before;
        const moved = change !== null && Math.abs(change) >= 0.05;
        return (
          <li key={channel.id} class={moved ? "moved" : ""}>
            <span class="channel-name">{channel.name}</span>
            <span class="figure">
              {latest === null ? text.probes.waiting : reading(latest.value, channel.quantity, channel.unit)}
            </span>
            {channel.quantity === "moisture-raw" && <RawState probe={probe} channel={channel} />}
            {first !== null && change !== null && (
              <span class="change">
                {moved ? text.probes.moved(`${change > 0 ? "+" : ""}${number(toShown(change, channel.unit === "Cel" ? DIFFERENCE : channel.unit), 1)}`) : text.probes.still}
              </span>
            )}
            {first !== null && latest !== null && (
              <span class="age">
                <Age at={latest.at} />
              </span>
            )}
          </li>
        );
      })}
    </ul>
  );
}

/** Whether anybody has said what moisture the counts stand for, and the way there. */
function RawState({ probe, channel }: { probe: Probe; channel: Channel }) {
  const known = channel.calibrated;
  const what = `${probe.name}, ${channel.name}`;
  return (
    <span class="raw-state">
      {!known && <strong>{text.calibration.notCalibrated}</strong>}
      <Link to={calibrationPath(channel.id)} class="button" label={known ? `${text.calibration.again}: ${what}` : text.calibration.calibrateLabel(what)}>
        {known ? text.calibration.again : text.calibration.calibrate}
      </Link>
    </span>
  );
}
