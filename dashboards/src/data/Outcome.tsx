import { useEffect, useState } from "preact/hooks";
import { farmNow, farmZone } from "../clock.ts";
import { time } from "../format.ts";
import type { Import, Look } from "../shapes.ts";
import { text } from "../text/text.ts";
import { csvLine } from "./pieces.ts";

const SHOWN_REFUSED = 20;

interface OutcomeProps {
  outcome: Import;
  dryRun: boolean;
  look: Look;
  name: string;
  separator: string;
}

/** What went in, or would: counts, the first rows as understood, and every row that was refused with the reason. */
export function Outcome({ outcome, dryRun, look, name, separator }: OutcomeProps) {
  const words = text.data;
  const at = (when: string): string => time(Date.parse(when), farmNow(), farmZone());
  return (
    <div class="import-outcome">
      <p class="lead">{words.counts(outcome, dryRun)}</p>
      {dryRun && outcome.readings.length > 0 && (
        <div class="table-frame" tabIndex={0} role="region" aria-label={words.understood}>
          <table>
            <caption>{words.understood}</caption>
            <tbody>
              {outcome.readings.map((r, i) => (
                <tr key={i}>
                  <th scope="row">{at(r.at)}</th>
                  <td>{`${r.probe}/${r.channel}`}</td>
                  <td>{`${Number(r.value.toPrecision(6))} ${words.units[r.unit] ?? r.unit}`}</td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
      {dryRun && outcome.entries.length > 0 && (
        <div class="table-frame" tabIndex={0} role="region" aria-label={words.understood}>
          <table>
            <caption>{words.understood}</caption>
            <tbody>
              {outcome.entries.map((e, i) => (
                <tr key={i}>
                  <th scope="row">{at(e.at)}</th>
                  <td>{`${e.subject.kind}/${e.subject.id}`}</td>
                  <td>{[text.logKind[e.kind], e.what, e.amount_kg === null ? "" : `${e.amount_kg} kg`, e.amount_l === null ? "" : `${e.amount_l} L`].filter(Boolean).join(" ")}</td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
      {outcome.refused.length > 0 && (
        <>
          <h3>{words.refused(outcome.refused.length)}</h3>
          <ul class="import-refused">
            {outcome.refused.slice(0, SHOWN_REFUSED).map((r) => (
              <li key={r.line}>{words.line(r.line, r.reason)}</li>
            ))}
          </ul>
          <Kept outcome={outcome} look={look} name={name} separator={separator} />
        </>
      )}
    </div>
  );
}

/** The refused rows as a file, to be mended and taken in in its turn. */
function Kept({ outcome, look, name, separator }: Omit<OutcomeProps, "dryRun">) {
  const [url, setUrl] = useState("");
  useEffect(() => {
    const width = look.header.length;
    const rows = outcome.refused.map((r) => csvLine([...r.cells, ...Array<string>(Math.max(0, width - r.cells.length)).fill(""), r.line, r.reason], separator));
    const made = URL.createObjectURL(new Blob([csvLine([...look.header, "line", "refused because"], separator), ...rows], { type: "text/csv" }));
    setUrl(made);
    return () => URL.revokeObjectURL(made);
  }, [outcome, look, separator]);
  return (
    <p>
      <a class="button" href={url} download={`${name.replace(/\.[^.]*$/, "")}.refused.csv`}>
        {text.data.keepRefused}
      </a>
    </p>
  );
}
