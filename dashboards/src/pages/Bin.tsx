import { useMemo } from "preact/hooks";
import { uncalibrated } from "../calibration/points.ts";
import { inUnits, sentence } from "../format.ts";
import { needOf } from "../need.ts";
import { Badge } from "../parts/Badge.tsx";
import { Facts } from "../parts/Facts.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Icon } from "../parts/Icon.tsx";
import { Limits } from "../parts/Limits.tsx";
import { RawNote } from "../parts/RawNote.tsx";
import { Section } from "../parts/Section.tsx";
import { Absent } from "../parts/States.tsx";
import { SubjectBody } from "../parts/Subject.tsx";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import type { PositionState } from "../shapes.ts";
import { text } from "../text/text.ts";

const NONE: PositionState[] = [];
export function Bin({ id }: { id: string }) {
  const bin = useResource(resources.bin(id));
  const places = useResource(resources.places);
  const probes = useResource(resources.probes);
  const place = places.value?.find((p) => p.id === bin.value?.place_id);
  const own = bin.value?.condition?.positions ?? NONE;
  const air = place?.condition?.positions ?? NONE;
  const positions = useMemo(() => [...own, ...air], [own, air]);
  if (bin.value === undefined) return <Absent of={bin} />;
  const { name, condition, limits } = bin.value;
  const need = needOf(bin.value);
  const words = sentence(inUnits(condition?.words ?? text.bins.unwatched));
  return (
    <div class="page subject-page">
      <header class="subject-head">
        <Link to="/" class="back">
          <Icon name="back" />
          {text.bins.title}
        </Link>
        <Heading title={name} />
        <Badge need={need} />
        <p class="where">{place === undefined ? "" : text.bin.in(place.name)}</p>
      </header>
      <SubjectBody
        subject={{ kind: "bin", id }}
        name={name}
        positions={positions}
        news={condition?.at ?? ""}
        need={need}
        now={
      <section class="now" aria-label={name}>
        <Section name={name} condition={condition} need={need} />
        <p class="words">{words}</p>
        <RawNote channels={uncalibrated(probes.value ?? []).get(id)} />
        {(condition?.positions.length ?? 0) === 0 && (
          <Link to="/probes" class="button">
            {text.bins.placeProbe}
          </Link>
        )}
      </section>
        }
      >
      <Facts bin={bin.value} />
      {limits.length > 0 && <Limits id={id} limits={limits} own={bin.value.own_limits} />}
      </SubjectBody>
    </div>
  );
}
