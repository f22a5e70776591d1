import { useMemo, useState } from "preact/hooks";
import { farmNow, farmZone } from "../clock.ts";
import { amount, date, inUnits } from "../format.ts";
import { For } from "../parts/For.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Link } from "../router.tsx";
import { Absent } from "../parts/States.tsx";
import { Waiting } from "../parts/Waiting.tsx";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { load, roundOf } from "../round/round.ts";
import { StopCard } from "../round/StopCard.tsx";
import { useTicks } from "../round/ticks.ts";
import type { LogEntry } from "../shapes.ts";
import { CATALOGUES, text } from "../text/text.ts";
import { dayOf } from "../when.ts";

const NONE: LogEntry[] = [];
const CORNERS = Object.values(CATALOGUES).map((words) => words.logForm.corners);

/** The checklist for today's round; once opened it works without the service, and it prints on one page. */
export function Round() {
  const farm = useResource(resources.farm);
  const bins = useResource(resources.bins);
  const stores = useResource(resources.feedStores);
  const places = useResource(resources.places);
  const alarms = useResource(resources.liveAlarms);
  const fed = useResource(resources.fedLog);
  const [all, setAll] = useState(false);
  const now = farmNow();
  const ticks = useTicks(dayOf(now, farmZone()));
  const round = useMemo(
    () => roundOf(bins.value ?? [], stores.value ?? [], alarms.value ?? [], fed.value ?? NONE, CORNERS),
    [bins.value, stores.value, alarms.value, fed.value],
  );
  // Whose day it is, only the farm's zone can tell.
  if (farm.value === undefined) return <Absent of={farm} />;
  if (bins.value === undefined) return <Absent of={bins} />;
  if (alarms.value === undefined) return <Absent of={alarms} />;

  const placeOf = (id: string): string => places.value?.find((p) => p.id === id)?.name ?? id;
  const isDone = (task: { key: string }): boolean => ticks.ticks.some((t) => t.task === task.key);
  const carry = load(round.first, isDone);
  const shown = new Set([...round.first, ...round.rest].flatMap((stop) => stop.tasks.map((task) => task.key)));
  const gone = ticks.ticks.filter((t) => !shown.has(t.task));
  return (
    <div class="page round-page">
      <header class="round-head">
        <Heading title={text.round.title} />
        <p class="where">{date(now, farmZone())}</p>
        <button type="button" class="quiet no-print" onClick={() => window.print()}>
          {text.round.print}
        </button>
      </header>
      <For role="keeper" only={text.may.log} />
      <Waiting />
      {(carry.l > 0 || carry.bedding_kg > 0) && (
        <p class="carry">
          <strong>{text.round.carry}</strong>{" "}
          {[carry.l > 0 ? text.round.water(amount(carry.l, "l")) : "", carry.bedding_kg > 0 ? text.round.bedding(amount(carry.bedding_kg, "kg")) : ""]
            .filter((words) => words !== "")
            .join(", ")}
        </p>
      )}
      <section aria-labelledby="round-first">
        <h2 id="round-first">
          {round.first.length > 0 ? text.bins.lift : text.bins.liftNone}
          {round.first.length > 0 && <span class="count">{round.first.length}</span>}
        </h2>
        <ol class="stops">
          {round.first.map((stop) => (
            <StopCard key={`${stop.subject.kind}/${stop.subject.id}`} stop={stop} place={placeOf(stop.placeId)} ticks={ticks} />
          ))}
        </ol>
      </section>
      {round.probes.length > 0 && (
        <section class="round-probes" aria-labelledby="round-probes">
          <h2 id="round-probes">{text.round.probes}</h2>
          <ul>
            {round.probes.map((alarm) => (
              <li key={alarm.id}>
                <Link to="/probes">{alarm.subject_name}</Link>: {inUnits(alarm.headline)}. {inUnits(alarm.advice)}
              </li>
            ))}
          </ul>
        </section>
      )}
      {round.rest.length > 0 && (
        <section class={all ? "round-rest" : "round-rest round-rest-short"} aria-labelledby="round-rest">
          <h2 id="round-rest">
            {text.bins.shut}
            <span class="count">{round.rest.length}</span>
          </h2>
          <p class="round-names">{round.rest.map((stop) => stop.name).join(", ")}</p>
          <button type="button" class="quiet no-print" aria-expanded={all} onClick={() => setAll(!all)}>
            {text.round.rest}
          </button>
          {all && (
            <ol class="stops no-print">
              {round.rest.map((stop) => (
                <StopCard key={`${stop.subject.kind}/${stop.subject.id}`} stop={stop} place={placeOf(stop.placeId)} ticks={ticks} />
              ))}
            </ol>
          )}
        </section>
      )}
      {gone.length > 0 && (
        <section class="round-gone" aria-labelledby="round-gone">
          <h2 id="round-gone">{text.round.done}</h2>
          <ul>
            {gone.map((t) => (
              <li key={t.task}>{t.words}</li>
            ))}
          </ul>
        </section>
      )}
    </div>
  );
}
