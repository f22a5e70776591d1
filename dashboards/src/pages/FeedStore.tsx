import { useMemo } from "preact/hooks";
import { inUnits, sentence } from "../format.ts";
import { needOf } from "../need.ts";
import { Badge } from "../parts/Badge.tsx";
import { FeedValues, feedWords } from "../parts/Cards.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Icon } from "../parts/Icon.tsx";
import { Absent } from "../parts/States.tsx";
import { SubjectBody } from "../parts/Subject.tsx";
import { EditThing } from "../parts/ThingForm.tsx";
import { Tub } from "../parts/Tub.tsx";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import type { PositionState } from "../shapes.ts";
import { text } from "../text/text.ts";

const NONE: PositionState[] = [];

export function FeedStore({ id }: { id: string }) {
  const store = useResource(resources.feedStore(id));
  const places = useResource(resources.places);
  const place = places.value?.find((p) => p.id === store.value?.place_id);
  const own = store.value?.condition?.positions ?? NONE;
  const air = place?.condition?.positions ?? NONE;
  const positions = useMemo(() => [...own, ...air], [own, air]);
  if (store.value === undefined) return <Absent of={store} />;
  const { name, condition, alarms, diameter_m, fill_depth_m, assumed } = store.value;
  const feed = condition?.stored_feed ?? null;
  const need = needOf(store.value);
  const cm = (m: number): string => String(Math.round(m * 100));
  return (
    <div class="page subject-page">
      <header class="subject-head">
        <Link to="/" class="back">
          <Icon name="back" />
          {text.bins.title}
        </Link>
        <Heading title={name} />
        {alarms.length > 0 && <Badge need={need} />}
        <p class="where">{place === undefined ? "" : text.bin.in(place.name)}</p>
      </header>
      <SubjectBody
        subject={{ kind: "feed-store", id }}
        name={name}
        positions={positions}
        news={condition?.at ?? ""}
        need={need}
        now={
      <section class="now now-tub" aria-label={name}>
        <Tub feed={feed} />
        <div>
          {feed !== null && <p class={`feed-state feed-${feed.state}`}>{sentence(feedWords(feed))}</p>}
          <FeedValues condition={condition} />
          <p class="words">{inUnits((feed === null ? null : sentence(feed.words)) ?? condition?.words ?? text.bins.unwatched)}</p>
          <p class="hint">
            {text.feedStore.size(cm(diameter_m), cm(fill_depth_m))}
            {assumed.length === 2 && `: ${text.facts.assumedSize}`}
          </p>
          {(condition?.positions.length ?? 0) === 0 && (
            <Link to="/probes" class="button">
              {text.bins.placeProbe}
            </Link>
          )}
        </div>
      </section>
        }
      >
        <section class="facts">
          <EditThing kind="feed-store" thing={store.value} />
        </section>
      </SubjectBody>
    </div>
  );
}
