import { useMemo, useState } from "preact/hooks";
import { uncalibrated } from "../calibration/points.ts";
import { byNeed, isUnknown, needOf, needsPerson } from "../need.ts";
import { BinCard, FeedStoreCard, PlaceChip } from "../parts/Cards.tsx";
import { FirstProbe } from "../parts/FirstProbe.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Absent, FailureNote, Loading } from "../parts/States.tsx";
import { AddThings } from "../parts/ThingForm.tsx";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import type { BinSummary, FeedStore } from "../shapes.ts";
import { text } from "../text/text.ts";

/** More bins than this are easier found by name. */
const FIND_FROM = 12;

export function Bins() {
  const bins = useResource(resources.bins);
  const stores = useResource(resources.feedStores);
  const places = useResource(resources.places);
  const probes = useResource(resources.probes);
  const [placeId, setPlaceId] = useState<string | null>(null);
  const [find, setFind] = useState("");

  const placeNames = useMemo(() => new Map(places.value?.map((p) => [p.id, p.name])), [places.value]);
  const raw = useMemo(() => uncalibrated(probes.value ?? []), [probes.value]);
  const shown = useMemo(() => {
    const words = find.trim().toLowerCase();
    const fits = (item: BinSummary | FeedStore): boolean =>
      (placeId === null || item.place_id === placeId) && (words === "" || item.name.toLowerCase().includes(words));
    return {
      bins: byNeed((bins.value ?? []).filter(fits)),
      stores: byNeed((stores.value ?? []).filter((s) => placeId === null || s.place_id === placeId)),
    };
  }, [bins.value, stores.value, placeId, find]);

  if (bins.value === undefined) return <Absent of={bins} />;
  if (stores.value === undefined && stores.failure === undefined) return <Loading />;
  if (bins.value.length === 0 && (stores.value ?? []).length === 0) return <FirstProbe />;

  const choose = (id: string): void => setPlaceId(placeId === id ? null : id);
  const first = shown.bins.filter((bin) => needsPerson(needOf(bin)));
  const unknown = shown.bins.filter((bin) => isUnknown(needOf(bin)));
  const rest = shown.bins.filter((bin) => !needsPerson(needOf(bin)) && !isUnknown(needOf(bin)));
  const list = (items: BinSummary[]) => (
    <ul class="cards">
      {items.map((bin) => (
        <BinCard key={bin.id} bin={bin} placeName={placeNames.get(bin.place_id) ?? bin.place_id} raw={raw.get(bin.id)} />
      ))}
    </ul>
  );
  return (
    <div class="page bins-page">
      <Heading title={text.bins.title} hidden />
      {[bins, stores, places].map(
        (r, i) => r.failure !== undefined && r.failure.status !== 0 && <FailureNote key={i} failure={r.failure} again={r.again} />,
      )}
      {places.value !== undefined && places.value.length > 0 && (
        <nav class="places" aria-label={text.bins.places}>
          <ul>
            {places.value.map((place) => (
              <PlaceChip key={place.id} place={place} chosen={place.id === placeId} choose={choose} />
            ))}
          </ul>
        </nav>
      )}
      {bins.value.length >= FIND_FROM && (
        <label class="find">
          <span class="hidden">{text.bins.find}</span>
          <input type="search" placeholder={text.bins.find} value={find} onInput={(e) => setFind(e.currentTarget.value)} />
        </label>
      )}
      <section class="first-bins" aria-labelledby="first-bins">
        <h2 id="first-bins">
          {first.length > 0 ? text.bins.lift : text.bins.liftNone}
          {first.length > 0 && <span class="count">{first.length}</span>}
        </h2>
        {first.length > 0 && list(first)}
      </section>
      {shown.stores.length > 0 && (
        <section class="stores" aria-labelledby="stores">
          <h2 id="stores">{text.bins.feedStores}</h2>
          <ul class="cards">
            {shown.stores.map((store) => (
              <FeedStoreCard key={store.id} store={store} placeName={placeNames.get(store.place_id) ?? store.place_id} />
            ))}
          </ul>
        </section>
      )}
      {unknown.length > 0 && (
        <section aria-labelledby="unknown-bins">
          <h2 id="unknown-bins">
            {text.bins.unknown}
            <span class="count">{unknown.length}</span>
          </h2>
          {list(unknown)}
        </section>
      )}
      <section class="rest-bins" aria-labelledby="rest-bins">
        {rest.length > 0 && (
          <>
            <h2 id="rest-bins">
              {text.bins.shut}
              <span class="count">{rest.length}</span>
            </h2>
            {list(rest)}
          </>
        )}
        {shown.bins.length === 0 && <p id="rest-bins">{text.bins.noMatch}</p>}
      </section>
      <AddThings />
    </div>
  );
}
