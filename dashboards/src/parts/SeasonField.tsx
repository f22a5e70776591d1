import { text } from "../text/text.ts";
import { viewer } from "../viewer.ts";

const MONTHS = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12] as const;

function month(number: number): string {
  return new Intl.DateTimeFormat(viewer.language, { month: "long", timeZone: "UTC" }).format(Date.UTC(2026, number - 1, 15));
}

/** '11-3' as 'November to March'. */
export function monthsOf(season: string): string {
  const [first = 1, last = 12] = season.split("-").map(Number);
  return text.bin.months(month(first), month(last));
}

/** Whether a change of limits holds all year or from one month to another. */
export function SeasonField({ season, change }: { season: string; change: (season: string) => void }) {
  const [first = 11, last = 3] = season === "" ? [] : season.split("-").map(Number);
  const pick = (label: string, value: number, take: (n: number) => void) => (
    <label>
      {label}
      <select value={String(value)} onChange={(e) => take(Number(e.currentTarget.value))}>
        {MONTHS.map((n) => (
          <option key={n} value={String(n)}>
            {month(n)}
          </option>
        ))}
      </select>
    </label>
  );
  return (
    <fieldset class="season">
      <legend>{text.bin.seasonHolds}</legend>
      <label>
        {text.bin.seasonWhen}
        <select value={season === "" ? "year" : "months"} onChange={(e) => change(e.currentTarget.value === "year" ? "" : "11-3")}>
          <option value="year">{text.bin.seasonYear}</option>
          <option value="months">{text.bin.seasonMonths}</option>
        </select>
      </label>
      {season !== "" && pick(text.bin.seasonFrom, first, (n) => change(`${n}-${last}`))}
      {season !== "" && pick(text.bin.seasonTo, last, (n) => change(`${first}-${n}`))}
    </fieldset>
  );
}
