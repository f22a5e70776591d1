import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { freeId } from "../format.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { Farm, Place } from "../shapes.ts";
import { text } from "../text/text.ts";
import { For } from "./For.tsx";
import { Form } from "./Form.tsx";
import { NameField, Outdoors } from "./InPlace.tsx";
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
        <Unfold labels={{ farm: words.change }} spoken={words.changeLabel(farm.name)}>
          {(_, close) => <FarmForm farm={farm} close={close} />}
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
              <Unfold labels={{ place: words.change }} spoken={words.changeLabel(place.name)}>
                {(_, close) => <PlaceDetails place={place} places={places} close={close} />}
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
