import { useState } from "preact/hooks";
import { number } from "../format.ts";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import { text } from "../text/text.ts";
import { Icon } from "./Icon.tsx";
import { FailureNote, Loading } from "./States.tsx";

/** How good the alarms of the last month were, fetched when opened. */
export function AlarmPerformance() {
  const [open, setOpen] = useState(false);
  return (
    <section class="performance" aria-labelledby="performance">
      <h2 id="performance">{text.performance.title}</h2>
      <details onToggle={(event) => setOpen(event.currentTarget.open)}>
        <summary>
          <Icon name="down" />
          {text.performance.open}
        </summary>
        {open && <Figures />}
      </details>
      <p>
        <Link to="/replay">{text.replay.link}</Link>
      </p>
    </section>
  );
}

function Figures() {
  const told = useResource(resources.performance);
  if (told.value === undefined) return told.failure === undefined ? <Loading /> : <FailureNote failure={told.failure} again={told.again} />;
  const words = text.performance;
  const hours = (value: number | null): string => (value === null ? "–" : `${number(value, value < 10 ? 1 : 0)} h`);
  return (
    <>
      <p>{words.count(told.value.alarms, Math.round(told.value.days))}</p>
      <ul class="limit-list">
        {told.value.benchmarks.map((each) => (
          <li key={each.name}>
            <span>{words.benchmark[each.name]}</span>
            <span class="figure">{number(each.value, each.value % 1 === 0 ? 0 : 1)}</span>
            <span class="hint">
              {words.atMost(number(each.highest, 0))}: {each.is_met ? words.met : words.notMet}
            </span>
          </li>
        ))}
      </ul>
      <p class="hint">{words.source(told.value.source)}</p>
      {told.value.rules.length > 0 && (
        <div class="table-frame" tabIndex={0} role="region" aria-label={words.byRule}>
          <table>
            <thead>
              <tr>
                {words.columns.map((column) => (
                  <th key={column} scope="col">
                    {column}
                  </th>
                ))}
              </tr>
            </thead>
            <tbody>
              {told.value.rules.map((rule) => (
                <tr key={rule.rule}>
                  <th scope="row">{words.rule[rule.rule] ?? rule.rule}</th>
                  <td>{rule.alarms}</td>
                  <td>{hours(rule.acknowledged_after_h)}</td>
                  <td>{rule.stale}</td>
                  <td>{rule.chattering}</td>
                  <td>{rule.false}</td>
                  <td>{rule.forecasts === 0 ? "–" : `${rule.came_true}/${rule.forecasts}`}</td>
                  <td>{hours(rule.lead_h)}</td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
    </>
  );
}
