import { farmZone } from "../clock.ts";
import { amount, formatter, inUnits, number, reading, span } from "../format.ts";
import { type Row, rows } from "../reports.ts";
import type { Figures, Watched, WeeklyReport } from "../shapes.ts";
import { text } from "../text/text.ts";

/** A thing's figures, position by position, with others beside them. */
export function Beside({ thing, other, names }: { thing: Watched; other: Watched | null; names: [string, string] }) {
  const words = text.reports;
  return (
    <section aria-labelledby="figures">
      <h2 id="figures">{words.figures}</h2>
      <p class="hint">{words.spread}</p>
      <div class="table-frame" tabIndex={0} role="group" aria-labelledby="figures">
        <table>
          <thead>
            <tr>
              <th scope="col">{words.where}</th>
              <th scope="col">{names[0]}</th>
              <th scope="col">{names[1]}</th>
            </tr>
          </thead>
          <tbody>
            {rows(thing, other).map((row) => (
              <tr key={`${row.position} ${row.quantity}`}>
                <th scope="row">{`${text.position[row.position]}, ${text.quantity[row.quantity]}`}</th>
                <td data-of={names[0]}>
                  <Cell row={row} figures={row.one} />
                </td>
                <td data-of={names[1]}>
                  <Cell row={row} figures={row.other} />
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      <Husbandry thing={thing} />
    </section>
  );
}

function Cell({ row, figures }: { row: Row; figures: Figures | null }) {
  const words = text.reports;
  if (figures === null) return <>{words.unknown}</>;
  const value = (v: number): string => reading(v, row.quantity, row.unit);
  return (
    <>
      {figures.in_range_pct !== null && (
        <p>
          <strong class="figure">{percent(figures.in_range_pct)}</strong> {words.inRange}
        </p>
      )}
      <p class="figure">
        {value(figures.lowest.value)} ({when(figures.lowest.at)}) · {value(figures.median)} · {value(figures.highest.value)} (
        {when(figures.highest.at)})
      </p>
      <p class="hint">
        {words.trend[figures.trend]}, {words.known(percent(figures.known_pct))}
      </p>
    </>
  );
}

/** Food, heat, water and frost of a thing. */
function Husbandry({ thing }: { thing: Watched }) {
  const words = text.reports;
  return (
    <ul>
      {thing.food !== null && (
        <li>{words.food(amount(thing.food.fed_kg, "kg"), amount(thing.food.fed_before_kg, "kg"), amount(thing.food.left_kg, "kg"))}</li>
      )}
      {thing.heatings.map((h) => (
        <li key={h.fed_at}>
          {words.heating(when(h.fed_at), temperature(h.before_c), temperature(h.peak.value))}
          {h.forecast !== null && `; ${words.foreseen(temperature(h.forecast.peak_c), temperature(h.forecast.low_c), temperature(h.forecast.high_c))}`}
          {h.forecast_left_out && `; ${words.notForeseen}`}
        </li>
      ))}
      {thing.water !== null && <li>{words.water(amount(thing.water.litres, "l"), amount(thing.water.litres_before, "l"))}</li>}
      {thing.frost !== null && <li>{words.frost(span(thing.frost.below_h), temperature(thing.frost.lowest.value))}</li>}
    </ul>
  );
}

/** The week of the whole farm: totals, each thing in a line, alarms and what came of them. */
export function Happenings({ report }: { report: WeeklyReport }) {
  const words = text.reports;
  const of = report.totals;
  return (
    <>
      <section aria-labelledby="totals">
        <h2 id="totals">{words.totals}</h2>
        <ul>
          <li>{words.moist(percent(of.in_range_moisture_pct), percent(of.in_range_moisture_before_pct))}</li>
          <li>{words.warm(percent(of.in_range_temperature_pct), percent(of.in_range_temperature_before_pct))}</li>
          <li>{words.given(amount(of.fed_kg, "kg"), amount(of.litres, "l"))}</li>
        </ul>
        <dl class="reports-things">
          {report.things.map((thing) => (
            <div key={`${thing.kind}/${thing.id}`}>
              <dt>{thing.name}</dt>
              <dd>{inUnits(thing.words)}</dd>
            </div>
          ))}
        </dl>
      </section>
      <section aria-labelledby="alarms">
        <h2 id="alarms">{words.alarms}</h2>
        {report.alarms.length === 0 && <p>{words.noAlarms}</p>}
        <ul>
          {report.alarms.map((alarm) => (
            <li key={`${alarm.subject_id} ${alarm.rule} ${alarm.raised}`}>
              {when(alarm.raised)}: {inUnits(alarm.headline)} ({alarm.dealt_h === null ? words.standing : words.dealt(span(alarm.dealt_h))})
            </li>
          ))}
        </ul>
      </section>
    </>
  );
}

const percent = (value: number | null): string => (value === null ? "–" : `${number(value, value === 100 || value === 0 ? 0 : 1)} %`);

const temperature = (value: number): string => reading(value, "temperature", "Cel");

function when(at: string): string {
  return formatter(farmZone(), undefined, { weekday: "short", hour: "2-digit", minute: "2-digit" }).format(Date.parse(at));
}
