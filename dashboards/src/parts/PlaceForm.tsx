import { useEffect, useRef, useState } from "preact/hooks";
import * as api from "../api.ts";
import { freeId, sentence } from "../format.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { Position, Probe, Subject, Suggestion } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Icon } from "./Icon.tsx";
import { InPlace, NameField, NEW, NO_PLACE, Outdoors, placeOf } from "./InPlace.tsx";
import { FailureNote } from "./States.tsx";

type Kind = "bin" | "feed-store" | "place";

/** Where a probe can sit in each kind of thing. */
const POSITIONS: Record<Kind, readonly Position[]> = {
  bin: ["top", "core", "base", "pocket"],
  "feed-store": ["feed"],
  place: ["air"],
};

interface PlaceFormProps {
  probe: Probe;
  /** What the form is filled in with. */
  suggestion: Suggestion | null;
  done: (after: Probe, where: string) => void;
  cancel: () => void;
}

/** Says where a probe sits, and makes the bin, feed store or place if there is none yet. */
export function PlaceForm({ probe, suggestion, done, cancel }: PlaceFormProps) {
  const bins = useResource(resources.bins);
  const stores = useResource(resources.feedStores);
  const places = useResource(resources.places);
  const lists = { bin: bins.value ?? [], "feed-store": stores.value ?? [], place: places.value ?? [] };

  const suggested = suggestion === null ? "" : `${suggestion.subject.kind}/${suggestion.subject.id}`;
  // Where there is nothing yet, it can only be something new, and most likely a bin.
  const [where, setWhere] = useState(suggested === "" && bins.value?.length === 0 && stores.value?.length === 0 ? `bin/${NEW}` : suggested);
  const [position, setPosition] = useState<Position>(suggestion?.position ?? "top");
  const [name, setName] = useState("");
  const [choice, setChoice] = useState(NO_PLACE);
  const [picked, setPicked] = useState<ReadonlySet<string>>();
  const [failure, setFailure] = useState<api.Failure>();
  const [busy, setBusy] = useState(false);
  const firstField = useRef<HTMLSelectElement>(null);
  useEffect(() => firstField.current?.focus(), []);

  const kind = (where.split("/")[0] ?? "") as Kind | "";
  const isNew = where.endsWith(`/${NEW}`);
  const positions = kind === "" ? [] : POSITIONS[kind];
  const seat = positions.includes(position) ? position : (positions[0] ?? "top");
  // Elsewhere than suggested every channel that fits is placed, unless some were picked by hand.
  const asSuggested = suggestion !== null && where === suggested && seat === suggestion.position;
  const channels = picked ?? new Set(asSuggested ? suggestion.channels : probe.channels.map((c) => c.name));

  /** Makes what does not exist yet, the place before what stands in it, and gives the subject. */
  const subject = async (): Promise<Subject> => {
    if (kind === "") throw new api.Failure(0, text.probes.where);
    if (!isNew) return { kind, id: where.slice(kind.length + 1) };
    const own = { id: freeId(name, lists[kind]), name: name.trim() };
    if (kind === "place") {
      await api.addPlace({ ...own, outdoors: choice.outdoors });
      return { kind, id: own.id };
    }
    const place_id = await placeOf({ choice, change: setChoice }, lists.place);
    await (kind === "bin" ? api.addBin({ ...own, place_id }) : api.addFeedStore({ ...own, place_id }));
    return { kind, id: own.id };
  };

  const place = async (): Promise<void> => {
    setBusy(true);
    try {
      const target = await subject();
      touched(target);
      // Should placing fail, a second try must not make the thing again.
      setWhere(`${target.kind}/${target.id}`);
      const all = channels.size === probe.channels.length;
      const after = await api.placeProbe(probe.id, { subject: target, position: seat, channels: all ? null : [...channels] });
      const known = kind === "" ? undefined : lists[kind].find((item) => item.id === target.id);
      done(after, `${isNew ? name.trim() : (known?.name ?? target.id)}, ${text.position[seat]}`);
    } catch (error) {
      if (!(error instanceof api.Failure)) throw error;
      setFailure(error);
      setBusy(false);
    }
  };

  const options = (of: Kind, label: string, newLabel: string) => (
    <optgroup label={label}>
      {lists[of].map((item) => (
        <option key={item.id} value={`${of}/${item.id}`}>
          {item.name}
        </option>
      ))}
      <option value={`${of}/${NEW}`}>{newLabel}</option>
    </optgroup>
  );
  return (
    <form
      class="asking place-form"
      onSubmit={(event) => {
        event.preventDefault();
        void place();
      }}
    >
      {suggestion !== null && <p class="hint">{text.probes.suggested(suggestion.because.join(", "))}</p>}
      <label>
        {text.probes.where}
        <select ref={firstField} required value={where} onChange={(e) => setWhere(e.currentTarget.value)}>
          <option value="">{text.probes.choose}</option>
          {options("bin", text.probes.whereBin, text.probes.newBin)}
          {options("feed-store", text.probes.whereStore, text.probes.newStore)}
          {options("place", text.probes.whereAir, text.probes.newPlace)}
        </select>
      </label>
      {isNew && kind !== "" && <NameField label={text.probes.newName[kind]} isNew name={name} change={setName} />}
      {isNew && (kind === "bin" || kind === "feed-store") && <InPlace choice={choice} change={setChoice} />}
      {isNew && kind === "place" && <Outdoors outdoors={choice.outdoors} change={(outdoors) => setChoice({ ...choice, outdoors })} />}
      {positions.length > 1 && (
        <fieldset class="layer-choice">
          <legend>{text.probes.which}</legend>
          {positions.map((p) => (
            <label key={p} class={`layer-option layer-option-${p}`}>
              <input type="radio" name={`position-${probe.id}`} checked={seat === p} onChange={() => setPosition(p)} />
              {sentence(text.position[p])}
            </label>
          ))}
        </fieldset>
      )}
      {kind !== "" && probe.channels.length > 1 && (
        <details>
          <summary>
            <Icon name="down" />
            {text.probes.channels}
          </summary>
          <p class="hint">{text.probes.channelsHint}</p>
          {probe.channels.map((channel) => (
            <label key={channel.id} class="check">
              <input
                type="checkbox"
                checked={channels.has(channel.name)}
                onChange={() => {
                  const next = new Set(channels);
                  if (!next.delete(channel.name)) next.add(channel.name);
                  setPicked(next);
                }}
              />
              {channel.name} ({text.quantity[channel.quantity]})
            </label>
          ))}
        </details>
      )}
      <div class="buttons">
        <button type="submit" class="button-main" disabled={busy || kind === "" || channels.size === 0}>
          {text.probes.confirm}
        </button>
        <button type="button" class="quiet" onClick={cancel}>
          {text.probes.cancel}
        </button>
      </div>
      {failure !== undefined && <FailureNote failure={failure} />}
    </form>
  );
}
