import * as api from "../api.ts";
import { freeId } from "../format.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { Place } from "../shapes.ts";
import { text } from "../text/text.ts";

export const NEW = "new";

/** A place that is there (by its id), or a new one; with no id the first there is. */
export interface PlaceChoice {
  id: string;
  name: string;
  outdoors: boolean;
}

export const NO_PLACE: PlaceChoice = { id: "", name: "", outdoors: false };

const chosenOf = (choice: PlaceChoice, places: readonly Place[]): string => (choice.id === "" ? (places[0]?.id ?? NEW) : choice.id);

interface ChoiceProps {
  choice: PlaceChoice;
  change: (choice: PlaceChoice) => void;
}

/** The chosen place's id; makes the place first where it is a new one, once however often it is asked. */
export async function placeOf({ choice, change }: ChoiceProps, places: readonly Place[]): Promise<string> {
  const chosen = chosenOf(choice, places);
  if (chosen !== NEW) return chosen;
  const { id } = await api.addPlace({ id: freeId(choice.name, places), name: choice.name.trim(), outdoors: choice.outdoors });
  change({ ...choice, id });
  touched({ kind: "place", id });
  return id;
}

/** In which place something stands. */
export function InPlace({ choice, change }: ChoiceProps) {
  const places = useResource(resources.places).value ?? [];
  const chosen = chosenOf(choice, places);
  return (
    <>
      <label>
        {text.probes.inPlace}
        <select value={chosen} onChange={(e) => change({ ...choice, id: e.currentTarget.value })}>
          {places.map((p) => (
            <option key={p.id} value={p.id}>
              {p.name}
            </option>
          ))}
          <option value={NEW}>{text.probes.aNewPlace}</option>
        </select>
      </label>
      {chosen === NEW && (
        <>
          <NameField label={text.probes.placeName} isNew name={choice.name} change={(name) => change({ ...choice, name })} />
          <Outdoors outdoors={choice.outdoors} change={(outdoors) => change({ ...choice, outdoors })} />
        </>
      )}
    </>
  );
}

interface NameFieldProps {
  label: string;
  /** Whether an id must be made from it. */
  isNew: boolean;
  name: string;
  change: (name: string) => void;
}

/** What something is called. */
export function NameField({ label, isNew, name, change }: NameFieldProps) {
  return (
    <label>
      {label}
      <input type="text" required maxLength={isNew ? 63 : 80} pattern={isNew ? ".*[A-Za-z0-9].*" : ".*\\S.*"} value={name} onInput={(e) => change(e.currentTarget.value)} />
    </label>
  );
}

export function Outdoors({ outdoors, change }: { outdoors: boolean; change: (outdoors: boolean) => void }) {
  return (
    <label class="check">
      <input type="checkbox" checked={outdoors} onChange={(e) => change(e.currentTarget.checked)} />
      {text.probes.outdoors}
    </label>
  );
}
