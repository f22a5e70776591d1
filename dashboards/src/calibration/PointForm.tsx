import { useState } from "preact/hooks";
import { farmNow } from "../clock.ts";
import type { Steadiness } from "../shapes.ts";
import { text } from "../text/text.ts";
import { NumberField } from "./NumberField.tsx";
import { type DraftPoint, FROZEN_C } from "./points.ts";

interface PointFormProps {
  steadiness: Steadiness | undefined;
  temp_c: number | null;
  take: (point: DraftPoint) => void;
}

/** Takes a point from a probe that stands still: the moisture is known, or a sample goes into the oven. */
export function PointForm({ steadiness, temp_c, take }: PointFormProps) {
  const [how, setHow] = useState<DraftPoint["how"]>("given");
  const [pct, setPct] = useState("");
  const [tare, setTare] = useState("");
  const [before, setBefore] = useState("");
  const frozen = temp_c !== null && temp_c < FROZEN_C;
  const raw = steadiness?.steady === true && !frozen ? steadiness.raw : null;
  const words = text.calibration;

  const submit = (): void => {
    if (raw === null) return;
    const base = { raw, temp_c, at: new Date(farmNow()).toISOString() };
    if (how === "given") take({ ...base, how, pct_wb: Number(pct) });
    else take({ ...base, how, tare_g: Number(tare), before_g: Number(before), after_g: null });
    setPct("");
    setTare("");
    setBefore("");
  };
  const option = (value: DraftPoint["how"], label: string) => (
    <label class="check">
      <input type="radio" name="how" checked={how === value} onChange={() => setHow(value)} />
      {label}
    </label>
  );
  return (
    <form
      class="asking"
      onSubmit={(event) => {
        event.preventDefault();
        submit();
      }}
    >
      <fieldset>
        <legend>{words.how}</legend>
        {option("given", words.given)}
        {option("oven", words.oven)}
      </fieldset>
      {how === "given" ? (
        <>
          <NumberField label={words.pct} max={100} value={pct} set={setPct} />
          <p class="hint">{words.givenHint}</p>
        </>
      ) : (
        <>
          <p class="hint">{words.ovenHint}</p>
          <p class="caution">
            <strong>{text.alarms.caution}:</strong> {words.ovenCaution}
          </p>
          <NumberField label={words.tare} value={tare} set={setTare} />
          <NumberField label={words.before} moreThan={Number(tare)} value={before} set={setBefore} />
        </>
      )}
      <div class="buttons">
        <button type="submit" class="button-main" disabled={raw === null} aria-describedby="may-take">
          {words.takeIt}
        </button>
        <span id="may-take" class="hint">
          {frozen ? words.frozen : raw === null ? words.wait : ""}
        </span>
      </div>
    </form>
  );
}
