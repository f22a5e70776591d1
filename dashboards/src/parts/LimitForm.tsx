import { useState } from "preact/hooks";
import { limitName, limitNumber, limitUnit, unitSign } from "../format.ts";
import { type Level, ownKey, ownValue } from "../limits.ts";
import type { Limit } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Icon } from "./Icon.tsx";
import { monthsOf, SeasonField } from "./SeasonField.tsx";
import { LimitPreview } from "./LimitPreview.tsx";

const MAIN_LIMITS: ReadonlySet<string> = new Set([
  "moist_low_pct_wb",
  "moist_danger_low_pct_wb",
  "moist_target_pct_wb",
  "moist_high_pct_wb",
  "temp_low_c",
  "temp_high_c",
  "temp_danger_high_c",
  "pocket_high_c",
  "freeze_c",
]);

/** The limits a keeper thinks in; the rest are delays, bands and assumptions. */
export const isMain = (limit: Limit): boolean => MAIN_LIMITS.has(limit.name);

interface LimitFormProps {
  level: Level;
  /** The bin on whose past they are tried. */
  id?: string;
  own: Record<string, number>;
  limits: Limit[];
  /** Takes all own values; one left out is inherited. */
  save: (values: Record<string, number>) => Promise<void>;
  cancel: () => void;
}

/** Limits of a bin, a place or the farm: each can be set, or given back to what it inherits. */
export function LimitForm({ level, id, own, limits, save, cancel }: LimitFormProps) {
  // What was typed, or null for a value given back.
  const [typed, setTyped] = useState<ReadonlyMap<string, string | null>>(new Map());
  const [busy, setBusy] = useState(false);
  // The months that the changes hold for, as in 11-3; "" the whole year.
  const [season, setSeason] = useState("");

  const values = (): Record<string, number> => {
    const all = { ...own };
    for (const limit of limits) {
      const entry = typed.get(limit.name);
      if (entry === undefined) continue;
      if (entry === null) delete all[ownKey(limit, season, level)];
      else if (entry !== "") all[ownKey(limit, season, level)] = ownValue(limit, entry);
    }
    return all;
  };
  const set = (name: string, entry: string | null): void => setTyped(new Map(typed).set(name, entry));
  const field = (limit: Limit) => {
    const entry = typed.get(limit.name);
    const isOwn = entry === undefined ? limit.origin === level : entry !== null;
    return (
      <li key={limit.name}>
        <label>
          <span>
            {limitName(limit.name)} <span class="hint">{unitSign(limitUnit(limit))}</span>
          </span>
          <input
            type="number"
            inputMode="decimal"
            step="any"
            required={entry !== null}
            placeholder={entry === null ? text.bin.willInherit : ""}
            value={entry === null ? "" : (entry ?? String(limitNumber(limit)))}
            onInput={(e) => set(limit.name, e.currentTarget.value)}
          />
        </label>
        <button type="button" class="quiet" disabled={!isOwn} aria-label={text.bin.limitResetLabel(limitName(limit.name))} onClick={() => set(limit.name, null)}>
          {text.bin.limitReset}
        </button>
        <span class="hint limit-source">
          {text.bin.setBy(text.bin.origin[limit.origin] ?? limit.origin)}
          {limit.season !== null && `, ${monthsOf(limit.season)}`}
          {limit.origin === "species" && `: ${limit.source}`}
        </span>
      </li>
    );
  };
  return (
    <form
      class="limit-form"
      onSubmit={(event) => {
        event.preventDefault();
        setBusy(true);
        void save(values()).finally(() => setBusy(false));
      }}
    >
      <SeasonField season={season} change={setSeason} />
      <ul class="limit-fields">{limits.filter(isMain).map(field)}</ul>
      {/* A field that is shut away can't be told of: what is wrong with it opens the fold. */}
      <details onInvalidCapture={(event) => (event.currentTarget.open = true)}>
        <summary>
          <Icon name="down" />
          {text.bin.limitsRest}
        </summary>
        <ul class="limit-fields">{limits.filter((l) => !isMain(l)).map(field)}</ul>
      </details>
      {id !== undefined && typed.size > 0 && [...typed.values()].every((entry) => entry !== "") && <LimitPreview id={id} values={values()} />}
      <div class="buttons">
        <button type="submit" class="button-main" disabled={busy}>
          {text.bin.limitsSave}
        </button>
        <button type="button" class="quiet" onClick={cancel}>
          {text.bin.limitsCancel}
        </button>
      </div>
    </form>
  );
}
