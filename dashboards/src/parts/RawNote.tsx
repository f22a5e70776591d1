import { number, sentence } from "../format.ts";
import { Link } from "../router.tsx";
import { calibrationPath } from "../routes.ts";
import type { Channel } from "../shapes.ts";
import { text } from "../text/text.ts";

/** Says which layers send counts that mean nothing yet, and leads to where they get a meaning. */
export function RawNote({ channels }: { channels: Channel[] | undefined }) {
  return (
    <>
      {(channels ?? []).map((channel) => {
        const where = channel.placement === null ? channel.name : text.position[channel.placement.position];
        const count = channel.latest === null ? "–" : number(channel.latest.value, 0);
        return (
          <p key={channel.id} class="raw-note">
            {text.calibration.rawHere(sentence(where), count)}{" "}
            <Link to={calibrationPath(channel.id)} class="button" label={text.calibration.calibrateLabel(where)}>
              {text.calibration.calibrate}
            </Link>
          </p>
        );
      })}
    </>
  );
}
