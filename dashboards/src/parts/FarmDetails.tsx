import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { freeId } from "../format.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { Farm, Place } from "../shapes.ts";
import { text } from "../text/text.ts";
import { For } from "./For.tsx";
import { Form } from "./Form.tsx";
import { LimitForm } from "./LimitForm.tsx";
import { NameField, Outdoors } from "./InPlace.tsx";
import { FailureNote, Loading } from "./States.tsx";
import { say } from "./Status.tsx";
import { Unfold } from "./Unfold.tsx";

/** The farm's name and clocks, and its places: the same for all who look at it. */
export function FarmDetails() {
  const words = text.farm;
  const farm = useResource(resources.farm).value;
  const places = useResource(resources.places).value ?? [];
  if (farm === undefined) return null;
  return (
    <section class="farm-details" aria-labelledby="farm">
      <h2 id="farm">{words.title}</h2>
      <p class="hint">{words.lead}</p>
      <p>
        <strong>{farm.name}</strong>, {words.zone(farm.time_zone)}
      </p>
      <For role="keeper" only={text.may.farm}>
        <Unfold labels={{ change: words.change, limits: words.limits }} of={farm.name}>
          {(name, close) => (name === "change" ? <FarmForm farm={farm} close={close} /> : <LimitsOf own={farm.limits} place={null} close={close} />)}
        </Unfold>
      </For>
      <h3>{text.bins.places}</h3>
      <ul>
        {places.map((place) => (
          <li key={place.id}>
            <p>
              <strong>{place.name}</strong>, {place.outdoors ? text.bins.outdoors : words.indoors}
            </p>
            <For role="keeper">
              <Unfold labels={{ change: words.change, limits: words.limits }} of={place.name}>
                {(name, close) =>
                  name === "change" ? (
                    <PlaceDetails place={place} places={places} close={close} />
                  ) : (
                    <LimitsOf own={place.limits} place={place.id} close={close} />
                  )
                }
              </Unfold>
            </For>
          </li>
        ))}
      </ul>
      <For role="keeper">
        <Unfold labels={{ place: words.addPlace }}>{(_, close) => <PlaceDetails places={places} close={close} />}</Unfold>
      </For>
    </section>
  );
}

function FarmForm({ farm, close }: { farm: Farm; close: () => void }) {
  const [name, setName] = useState(farm.name);
  const [zone, setZone] = useState(farm.time_zone);
  const save = async (): Promise<void> => {
    await api.changeFarm({ name: name.trim(), time_zone: zone.trim() });
    touched({ kind: "farm", id: "" });
    say(text.thing.saved);
    close();
  };
  return (
    <Form submit={text.thing.save} act={save} cancel={close}>
      <NameField label={text.farm.name} isNew={false} name={name} change={setName} />
      <label>
        {text.farm.timeZone}
        <input type="text" required list="zones" autoComplete="off" value={zone} onInput={(e) => setZone(e.currentTarget.value)} />
        <span class="hint">{text.farm.timeZoneHint}</span>
        <datalist id="zones">
          {Intl.supportedValuesOf("timeZone").map((each) => (
            <option key={each} value={each} />
          ))}
        </datalist>
      </label>
    </Form>
  );
}

/** What all bins of the farm, or of one place, inherit. */
function LimitsOf({ own, place, close }: { own: Record<string, number>; place: string | null; close: () => void }) {
  const limits = useResource(resources.limits(place));
  const [failure, setFailure] = useState<api.Failure>();
  if (limits.value === undefined) return limits.failure === undefined ? <Loading /> : <FailureNote failure={limits.failure} again={limits.again} />;
  const save = async (values: Record<string, number>): Promise<void> => {
    try {
      await (place === null ? api.changeFarm({ limits: values }) : api.changePlace(place, { limits: values }));
      touched(place === null ? { kind: "farm", id: "" } : { kind: "place", id: place });
      say(text.bin.limitsSaved);
      close();
    } catch (error) {
      if (!(error instanceof api.Failure)) throw error;
      setFailure(error);
    }
  };
  return (
    <div class="asking">
      <p class="hint">{text.farm.limitsLead}</p>
      <LimitForm level={place === null ? "farm" : "place"} own={own} limits={limits.value} save={save} cancel={close} />
      {failure !== undefined && <FailureNote failure={failure} />}
    </div>
  );
}

/** A place's name and whether it is outdoors; without a place that of a new one. */
function PlaceDetails({ place, places, close }: { place?: Place; places: readonly Place[]; close: () => void }) {
  const [name, setName] = useState(place?.name ?? "");
  const [outdoors, setOutdoors] = useState(place?.outdoors ?? false);
  const save = async (): Promise<void> => {
    const change = { name: name.trim(), outdoors };
    const { id } = await (place === undefined ? api.addPlace({ id: freeId(name, places), ...change }) : api.changePlace(place.id, change));
    touched({ kind: "place", id });
    say(place === undefined ? text.thing.added(change.name) : text.thing.saved);
    close();
  };
  return (
    <Form submit={text.thing.save} act={save} cancel={close}>
      <NameField label={text.probes.newName.place} isNew={place === undefined} name={name} change={setName} />
      <Outdoors outdoors={outdoors} change={setOutdoors} />
    </Form>
  );
}
