import { leadingAlarm, needOf, nextTrouble, offWords } from "../need.ts";
import { inUnits, sentence, withoutName } from "../format.ts";
import { Link } from "../router.tsx";
import type { BinSummary, Channel, Condition, FeedStore, Place, StoredFeed } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Age } from "./Age.tsx";
import { Badge } from "./Badge.tsx";
import { memo } from "./memo.ts";
import { RawNote } from "./RawNote.tsx";
import { Section } from "./Section.tsx";
import { Tub } from "./Tub.tsx";
import { Value } from "./Value.tsx";

interface BinCardProps {
  bin: BinSummary;
  placeName: string;
  /** Its channels that nobody has calibrated. */
  raw: Channel[] | undefined;
}

/** One bin at a glance; the whole card leads to its page. */
export const BinCard = memo(function BinCard({ bin, placeName, raw }: BinCardProps) {
  const need = needOf(bin);
  const alarm = leadingAlarm(bin.alarms);
  const words = alarm?.headline ?? nextTrouble(bin.condition) ?? offWords(bin.condition) ?? bin.condition?.words ?? text.bins.unwatched;
  const said = withoutName(inUnits(words), bin.name);
  return (
    <li class={`card card-${need}`} id={`bin-${bin.id}`}>
      <div class="card-head">
        <h3>
          <Link to={`/bins/${encodeURIComponent(bin.id)}`} class="card-link">
            {bin.name}
          </Link>
        </h3>
        <span class="where">{placeName}</span>
        <Badge need={need} />
      </div>
      <Section name={bin.name} condition={bin.condition} need={need} />
      <p class="words">{said}</p>
      <RawNote channels={raw} />
    </li>
  );
});

export function feedWords(feed: StoredFeed): string {
  return feed.state === "hard-frozen" ? text.hardFrozenFor(feed.hard_frozen_h) : text.storedFeed[feed.state];
}

/** What is said of stored feed beyond the state that stands above it. */
function restOf(feed: StoredFeed): string {
  const start = `${text.storedFeed[feed.state]}, `;
  return sentence(feed.words.startsWith(start) ? feed.words.slice(start.length) : feed.words);
}

export const FeedStoreCard = memo(function FeedStoreCard({ store, placeName }: { store: FeedStore; placeName: string }) {
  const need = needOf(store);
  const alarm = leadingAlarm(store.alarms);
  const feed = store.condition?.stored_feed ?? null;
  return (
    <li class={`card card-tub card-${need}`} id={`feed-store-${store.id}`}>
      <Tub feed={feed} />
      <div class="tub-words">
        <div class="card-head">
          <h3>
            <Link to={`/feed-stores/${encodeURIComponent(store.id)}`} class="card-link">
              {store.name}
            </Link>
          </h3>
        </div>
        <p class="card-head">
          {alarm !== null && <Badge need={need} />}
          <span class="where">{placeName}</span>
        </p>
        {feed !== null && <p class={`feed-state feed-${feed.state}`}>{sentence(feedWords(feed))}</p>}
        <FeedValues condition={store.condition} />
        <p class="words">{inUnits(feed === null ? (store.condition?.words ?? text.bins.unwatched) : restOf(feed))}</p>
      </div>
    </li>
  );
});

/** Temperature of the feed with its age, and how much of it is frozen. */
export function FeedValues({ condition }: { condition: Condition | null }) {
  const feed = condition?.stored_feed ?? null;
  return (
    <p class="feed-values">
      {condition?.positions
        .filter((p) => p.position === "feed")
        .map((p) => (
          <span key={p.channel}>
            <Value of={p} judged={false} />{" "}
            <span class="age">
              <Age at={p.at} />
            </span>
          </span>
        ))}
      {feed?.frozen_fraction != null && <span>{text.feedStore.frozen(Math.round(feed.frozen_fraction * 100))}</span>}
    </p>
  );
}

/** A place with its air; chosen, it narrows the list to the bins there. */
export const PlaceChip = memo(function PlaceChip(props: { place: Place; chosen: boolean; choose: (id: string) => void }) {
  const { place, chosen, choose } = props;
  const air = place.condition?.positions.filter((p) => p.position === "air") ?? [];
  return (
    <li>
      <button type="button" class="place" aria-pressed={chosen} onClick={() => choose(place.id)}>
        <span class="place-name">{place.name}</span>
        <span class="place-air">
          {place.outdoors && <span>{text.bins.outdoors}</span>}
          {air.map((p) => (
            <Value key={p.channel} of={p} />
          ))}
        </span>
      </button>
    </li>
  );
});
