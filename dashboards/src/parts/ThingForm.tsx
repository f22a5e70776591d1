import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { farmNow, farmZone } from "../clock.ts";
import { freeId, fromShown, speciesName, toShown, unitSign } from "../format.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import { navigate } from "../router.tsx";
import { pathOf } from "../routes.ts";
import { type Bin, type BinChange, type FeedStore, type FeedStoreChange, SPECIES } from "../shapes.ts";
import { text } from "../text/text.ts";
import { fromField, toField } from "../when.ts";
import { For } from "./For.tsx";
import { Form } from "./Form.tsx";
import { InPlace, NameField, NO_PLACE, placeOf } from "./InPlace.tsx";
import { say } from "./Status.tsx";
import { Unfold } from "./Unfold.tsx";

type Kind = "bin" | "feed-store";
type Amount = "length_m" | "width_m" | "depth_m" | "worm_kg" | "diameter_m" | "fill_depth_m";

/** The amounts of each kind, with the most that the service takes. */
const AMOUNTS: Record<Kind, Partial<Record<Amount, number>>> = {
  bin: { length_m: 200, width_m: 20, depth_m: 3, worm_kg: 100_000 },
  "feed-store": { diameter_m: 5, fill_depth_m: 5 },
};
const CM_PER_M = 100;

/** Lengths are shown in centimetres, masses in the viewer's unit. */
const isMass = (name: Amount): boolean => name.endsWith("_kg");
const shownAs = (name: Amount, value: number): string => String(Number((isMass(name) ? toShown(value, "kg") : value * CM_PER_M).toPrecision(6)));
const storedAs = (name: Amount, typed: string): number =>
  Number((isMass(name) ? fromShown(Number(typed), "kg") : Number(typed) / CM_PER_M).toPrecision(10));

interface ThingFormProps {
  kind: Kind;
  /** What is changed; without it a new one is made. */
  thing?: Bin | FeedStore;
  done: (name: string, id: string) => void;
  cancel: () => void;
}

/** All that is known of a bin or a feed store but its limits: changed, or told of a new one. */
export function ThingForm({ kind, thing, done, cancel }: ThingFormProps) {
  const known = { bin: useResource(resources.bins).value ?? [], "feed-store": useResource(resources.feedStores).value ?? [] };
  const places = useResource(resources.places).value ?? [];
  const [before] = useState(() => fieldsOf(kind, thing));
  const [typed, setTyped] = useState(before);
  const [choice, setChoice] = useState({ ...NO_PLACE, id: thing?.place_id ?? "" });
  const set = (field: Partial<typeof before>): void => setTyped({ ...typed, ...field });
  const words = text.thing;

  const save = async (): Promise<void> => {
    const change: BinChange & FeedStoreChange = {};
    const name = typed.name.trim();
    const place_id = await placeOf({ choice, change: setChoice }, places);
    if (name !== before.name) change.name = name;
    if (place_id !== thing?.place_id) change.place_id = place_id;
    if (typed.species !== before.species) change.species = typed.species;
    if (typed.started !== before.started) change.started = new Date(fromField(`${typed.started}T00:00`, farmZone())).toISOString();
    // An amount not touched keeps its digits.
    for (const [amount, value] of Object.entries(typed.amounts) as [Amount, string][])
      if (value !== before.amounts[amount]) change[amount] = storedAs(amount, value);
    const [add, alter] = kind === "bin" ? [api.addBin, api.changeBin] : [api.addFeedStore, api.changeFeedStore];
    const { id } = await (thing === undefined ? add({ ...change, id: freeId(name, known[kind]), name, place_id }) : alter(thing.id, change));
    touched({ kind, id });
    done(name, id);
  };
  return (
    <Form submit={thing === undefined ? words.add[kind] : words.save} act={save} cancel={cancel}>
      <NameField label={text.probes.newName[kind]} isNew={thing === undefined} name={typed.name} change={(name) => set({ name })} />
      <InPlace choice={choice} change={setChoice} />
      {kind === "bin" && (
        <label>
          {text.facts.species}
          <select value={typed.species} onChange={(e) => set({ species: e.currentTarget.value })}>
            {SPECIES.map((species) => (
              <option key={species} value={species}>
                {speciesName(species)}
              </option>
            ))}
          </select>
        </label>
      )}
      <div class="side-by-side">
        {(Object.entries(AMOUNTS[kind]) as [Amount, number][]).map(([amount, most]) => (
          <label key={amount}>
            {words.amount[amount](isMass(amount) ? unitSign("kg") : "cm")}
            <input
              type="number"
              inputMode="decimal"
              step="any"
              min={isMass(amount) ? 0 : 1}
              max={shownAs(amount, most)}
              required={thing !== undefined}
              value={typed.amounts[amount]}
              onInput={(e) => set({ amounts: { ...typed.amounts, [amount]: e.currentTarget.value } })}
            />
          </label>
        ))}
      </div>
      <p class="hint">
        {words.inside} {thing === undefined ? words.assumed : kind === "bin" && words.weighed}
      </p>
      {kind === "bin" && (
        <label>
          {words.started}
          <input type="date" required max={dayOf(farmNow())} value={typed.started} onInput={(e) => set({ started: e.currentTarget.value })} />
        </label>
      )}
    </Form>
  );
}

const dayOf = (ms: number): string => toField(ms, farmZone()).slice(0, 10);

/** What the fields hold at first. */
function fieldsOf(kind: Kind, thing?: Bin | FeedStore) {
  const bin = thing !== undefined && "started" in thing ? thing : undefined;
  const amounts: Partial<Record<Amount, string>> = {};
  for (const name of Object.keys(AMOUNTS[kind]) as Amount[])
    amounts[name] = thing === undefined ? "" : shownAs(name, (thing as unknown as Record<Amount, number>)[name]);
  return {
    name: thing?.name ?? "",
    species: bin?.species ?? SPECIES[0],
    started: dayOf(bin === undefined ? farmNow() : Date.parse(bin.started)),
    amounts,
  };
}

/** The form behind a button on the page of what it changes. */
export function EditThing({ kind, thing }: { kind: Kind; thing: Bin | FeedStore }) {
  const words = text.thing;
  return (
    <For role="keeper" only={text.may.thing[kind]}>
      <Unfold labels={{ [kind]: words.edit[kind] }}>
        {(_, close) => (
          <ThingForm
            kind={kind}
            thing={thing}
            cancel={close}
            done={() => {
              say(words.saved);
              close();
            }}
          />
        )}
      </Unfold>
    </For>
  );
}

/** A bin or feed store without a probe: one may come later. */
export function AddThings() {
  return (
    <For role="keeper">
      <section class="add-things">
        <Unfold labels={text.thing.addOne}>
          {(kind, close) => (
            <ThingForm
              key={kind}
              kind={kind}
              cancel={close}
              done={(name, id) => {
                say(text.thing.added(name));
                navigate(pathOf({ kind, id }));
              }}
            />
          )}
        </Unfold>
      </section>
    </For>
  );
}
