import type { ComponentChildren } from "preact";
import { farmNow, farmZone } from "../clock.ts";
import { amount, date, inUnits, span, speciesName } from "../format.ts";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import type { Bin, Facts as FactsShape, Range } from "../shapes.ts";
import { text } from "../text/text.ts";
import { FailureNote } from "./States.tsx";
import { EditThing } from "./ThingForm.tsx";

const HOUR = 3_600_000;
const SIZE = ["length_m", "width_m", "depth_m"];

/** What is known of a bin besides its readings, each with how sure it is. */
export function Facts({ bin }: { bin: Bin }) {
  const facts = useResource(resources.facts(bin));
  const cm = (m: number): string => String(Math.round(m * 100));
  const words = text.facts;
  return (
    <section class="facts" aria-labelledby="facts">
      <h2 id="facts">{text.bin.facts}</h2>
      <dl>
        {facts.value !== undefined && <Known facts={facts.value} bin={bin} />}
        <Fact name={words.age}>
          {words.old(span((farmNow() - Date.parse(bin.started)) / HOUR))}, {text.bin.started(date(Date.parse(bin.started), farmZone()))}
        </Fact>
        <Fact name={words.size} hint={SIZE.every((name) => bin.assumed.includes(name)) ? words.assumedSize : undefined}>
          {text.bin.size(cm(bin.length_m), cm(bin.width_m), cm(bin.depth_m))}
        </Fact>
        <Fact name={words.species}>{speciesName(bin.species)}</Fact>
      </dl>
      {facts.failure !== undefined && facts.failure.status !== 0 && <FailureNote failure={facts.failure} again={facts.again} />}
      <EditThing kind="bin" thing={bin} />
    </section>
  );
}

function Fact({ name, children, hint }: { name: string; children: ComponentChildren; hint?: string | undefined }) {
  return (
    <div>
      <dt>{name}</dt>
      <dd>
        {children}
        {hint !== undefined && <span class="hint">{hint}</span>}
      </dd>
    </div>
  );
}

function Known({ facts, bin }: { facts: FactsShape; bin: Bin }) {
  const words = text.facts;
  const { worms, food_left_kg, ration_kg_per_day, ready, split } = facts;
  const told = date(Date.parse(worms.told), farmZone());
  const kg = amount(worms.told_kg, "kg");
  const ofBin = bin.assumed.includes("worm_kg") ? words.assumedWorms : words.given;
  const source = worms.by_log ? words.byLog(kg, worms.how, told) : ofBin(kg, told);
  return (
    <>
      <Fact name={words.worms} hint={source}>
        {about(worms.now_kg)}
      </Fact>
      <Fact name={words.food}>{food_left_kg === null ? words.foodUnknown : about(food_left_kg)}</Fact>
      {ration_kg_per_day !== null && <Fact name={words.ration}>{words.aDay(about(ration_kg_per_day))}</Fact>}
      <Fact name={words.ready}>{ready === null ? words.readyUnknown : readyWords(ready, facts)}</Fact>
      {split !== null && (
        <Fact name={words.split} hint={inUnits(split.reason.replace("kg/m2", "kg/m²").replaceAll("kg/m2", "kg/m²"))}>
          {splitWords(split)}
        </Fact>
      )}
    </>
  );
}

/** A mass with the span it may lie in: "about 1.2 kg (0.8 kg to 1.9 kg)". */
function about({ likely, least, most }: Range): string {
  const [middle, low, high] = [amount(likely, "kg"), amount(least, "kg"), amount(most, "kg")];
  return low === high ? middle : text.facts.about(middle, text.within.between(low, high));
}

function readyWords(ready: NonNullable<FactsShape["ready"]>, facts: FactsShape): string {
  const words = text.facts;
  const day = (at: string | null): string | null => (at === null ? null : date(Date.parse(at), farmZone()));
  const since = (facts.harvested ? words.sinceHarvest : words.sinceStart)(date(Date.parse(facts.begun), farmZone()));
  const share = words.share(Math.round(ready.share * 100), since);
  if (ready.share >= 1) return `${words.readyNow}; ${share}`;
  const [likely, first, last] = [day(ready.likely), day(ready.earliest), day(ready.latest)];
  if (likely === null) return `${share}; ${words.notForeseen}`;
  const between = first !== null && last !== null ? text.within.between(first, last) : first !== null ? text.within.orLater(first) : "";
  return `${words.readyOn(likely, between)}; ${share}`;
}

function splitWords(split: NonNullable<FactsShape["split"]>): string {
  const words = text.facts;
  if (split.due) return words.splitNow(amount(split.take_kg, "kg"));
  if (split.likely_days === null) return words.splitNever;
  const days = (n: number): string => span(n * 24);
  const low = days(split.least_days ?? split.likely_days);
  return words.splitIn(text.within.about(days(split.likely_days)), split.most_days === null ? text.within.orLater(low) : text.within.between(low, days(split.most_days)));
}
