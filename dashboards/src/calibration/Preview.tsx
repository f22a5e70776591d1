import { useEffect, useState } from "preact/hooks";
import * as api from "../api.ts";
import { CurveChart } from "../charts/CurveChart.tsx";
import { number } from "../format.ts";
import { Icon } from "../parts/Icon.tsx";
import { FailureNote } from "../parts/States.tsx";
import type { Calibration, NewCalibration, NewPoint } from "../shapes.ts";
import { text } from "../text/text.ts";
import { readOff } from "./points.ts";

interface PreviewProps {
  channel: number;
  points: NewPoint[];
  /** What the probe says now, where it stands still enough to be read. */
  raw: number | null;
  use: (calibration: NewCalibration) => Promise<void>;
}

/** The curve that the points would give, and the choice from when on to use it. */
export function Preview({ channel, points, raw, use }: PreviewProps) {
  const [curve, setCurve] = useState<Calibration>();
  const [failure, setFailure] = useState<api.Failure>();
  const [coeff, setCoeff] = useState("0");
  const [toPast, setToPast] = useState(false);
  const [busy, setBusy] = useState(false);
  const calibration: NewCalibration = { points, temp_coeff: Number(coeff) || 0, apply_to_past: toPast };
  const told = (error: unknown): void => {
    if (!(error instanceof api.Failure)) throw error;
    setFailure(error);
  };

  useEffect(() => {
    setFailure(undefined);
    setCurve(undefined);
    if (points.length < 2) return;
    let current = true;
    api.previewCalibration(channel, calibration).then(
      (found) => current && setCurve(found),
      (error: unknown) => current && told(error),
    );
    return () => void (current = false);
  }, [channel, JSON.stringify(points), calibration.temp_coeff]);

  if (points.length < 2) return <p class="hint">{text.calibration.oneMore(2 - points.length)}</p>;
  const reads = curve === undefined || raw === null ? null : readOff(curve.curve, raw);
  return (
    <section class="preview" aria-labelledby="preview">
      <h2 id="preview">{text.calibration.preview}</h2>
      {failure !== undefined && <FailureNote failure={failure} />}
      {curve !== undefined && (
        <>
          <div class="chart-frame chart-frame-curve">
            <CurveChart curve={curve.curve} points={curve.points} raw={raw} />
          </div>
          {raw !== null && <p class="reads">{reads === null ? text.calibration.beyond : text.calibration.nowReads(`${number(reads, 0)} %`)}</p>}
          <ul class="version-points">
            {curve.points.map((p) => (
              <li key={p.raw}>
                <span class="figure">
                  {number(p.raw, 0)} → <strong>{number(p.pct_wb, 1)} %</strong>
                </span>{" "}
                {text.calibration.error(number(2 * p.sd_pct, 1))}
              </li>
            ))}
          </ul>
          <p class="hint">
            {text.calibration.band} {points.length === 2 && text.calibration.twoOnly}
          </p>
        </>
      )}
      <details>
        <summary>
          <Icon name="down" />
          {text.calibration.more}
        </summary>
        <label>
          {text.calibration.coeff}
          <input type="number" step="any" value={coeff} onInput={(e) => setCoeff(e.currentTarget.value)} />
        </label>
        <p class="hint">{text.calibration.coeffHint}</p>
      </details>
      {curve !== undefined && (
        <form
          class="asking"
          onSubmit={(event) => {
            event.preventDefault();
            setBusy(true);
            void use(calibration).catch(told).finally(() => setBusy(false));
          }}
        >
          <fieldset>
            <legend>{text.calibration.apply}</legend>
            <label class="check">
              <input type="radio" name="since" checked={!toPast} onChange={() => setToPast(false)} />
              {text.calibration.fromNow}
            </label>
            <label class="check">
              <input type="radio" name="since" checked={toPast} onChange={() => setToPast(true)} />
              {text.calibration.toPast}
            </label>
          </fieldset>
          <button type="submit" class="button-main" disabled={busy}>
            {busy ? text.calibration.using : text.calibration.use}
          </button>
        </form>
      )}
    </section>
  );
}
