import { useEffect, useState } from "preact/hooks";
import * as api from "../api.ts";
import { completed, type DraftPoint, parseDraft, readOff, temperatureOf } from "../calibration/points.ts";
import { PointForm } from "../calibration/PointForm.tsx";
import { PointList } from "../calibration/PointList.tsx";
import { Preview } from "../calibration/Preview.tsx";
import { CurveChart } from "../charts/CurveChart.tsx";
import { number } from "../format.ts";
import { Age, When } from "../parts/Age.tsx";
import { For } from "../parts/For.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Icon } from "../parts/Icon.tsx";
import { Absent, FailureNote, Loading, NotFound } from "../parts/States.tsx";
import { say } from "../parts/Status.tsx";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import type { Calibration as Version, Channel, NewCalibration, Steadiness } from "../shapes.ts";
import { text } from "../text/text.ts";

/** A silent probe stops being steady without a nudge. */
const LOOK_AGAIN_MS = 10_000;

/** Guides a raw moisture channel from counts to per cent: stand still, take points, look at the curve, use it. */
export function Calibration({ channel }: { channel: number }) {
  const probes = useResource(resources.probes);
  const bins = useResource(resources.bins);
  const steadiness = useResource(resources.steadiness(channel));
  const versions = useResource(resources.calibrations(channel));
  const [points, setPoints] = useDraft(channel);
  useEffect(() => {
    const timer = setInterval(steadiness.again, LOOK_AGAIN_MS);
    return () => clearInterval(timer);
  }, [channel]);

  if (probes.value === undefined) return <Absent of={probes} />;
  if (versions.failure?.status === 404 || versions.failure?.status === 422) return <NotFound detail={versions.failure.message} />;
  const probe = probes.value.find((p) => p.channels.some((c) => c.id === channel));
  const raw = probe?.channels.find((c) => c.id === channel);
  if (probe === undefined || raw === undefined) return <NotFound />;
  const bin = bins.value?.find((b) => b.id === raw.placement?.subject.id);

  const take = (point: DraftPoint): void => {
    setPoints([...points, point]);
    say(text.calibration.taken(number(point.raw, 0)));
  };
  const use = async (calibration: NewCalibration): Promise<void> => {
    const kept = await api.addCalibration(channel, calibration);
    setPoints([]);
    say(text.calibration.inUse(kept.version));
    const subject = raw.placement === null ? [] : [raw.placement.subject];
    touched({ kind: "channel", id: String(channel) }, { kind: "probe", id: probe.id }, ...subject);
  };
  return (
    <div class="page calibration-page">
      <header class="subject-head">
        <Link to="/probes" class="back">
          <Icon name="back" />
          {text.calibration.back}
        </Link>
        <Heading title={text.calibration.title(probe.name)} />
        <p class="where">
          {raw.name}
          {raw.placement !== null && ` · ${bin?.name ?? raw.placement.subject.id}, ${text.position[raw.placement.position]}`}
        </p>
      </header>
      <p class="lead">{text.calibration.lead}</p>
      <div class="calibration-now">
        <Live raw={raw} steadiness={steadiness.value} failure={steadiness.failure} />
        <For role="keeper" only={text.may.calibrate}>
          <section class="take" aria-labelledby="take">
            <h2 id="take">{text.calibration.take}</h2>
            <PointForm steadiness={steadiness.value} temp_c={temperatureOf(probe)} take={take} />
          </section>
        </For>
      </div>
      <div class="calibration-points">
        <For role="keeper">
          <section aria-labelledby="points">
            <h2 id="points">{text.calibration.points}</h2>
            <PointList points={points} change={setPoints} />
          </section>
          <Preview channel={channel} points={completed(points)} raw={steadiness.value?.raw ?? null} use={use} />
        </For>
        <section class="versions" aria-labelledby="versions">
          <h2 id="versions">{text.calibration.versions}</h2>
          {versions.value === undefined ? (
            versions.failure === undefined ? <Loading /> : <FailureNote failure={versions.failure} again={versions.again} />
          ) : (
            <Versions versions={versions.value} raw={steadiness.value?.raw ?? null} drawn={completed(points).length < 2} />
          )}
        </section>
      </div>
    </div>
  );
}

/** The points gathered so far, kept on this device: a sample stays in the oven for a day. */
function useDraft(channel: number): [DraftPoint[], (points: DraftPoint[]) => void] {
  const key = `underlid/calibration/${channel}`;
  const [points, setPoints] = useState(() => parseDraft(localStorage.getItem(key)));
  const keep = (next: DraftPoint[]): void => {
    setPoints(next);
    if (next.length === 0) localStorage.removeItem(key);
    else localStorage.setItem(key, JSON.stringify(next));
  };
  return [points, keep];
}

function Live({ raw, steadiness, failure }: { raw: Channel; steadiness: Steadiness | undefined; failure: api.Failure | undefined }) {
  const sure = steadiness?.steady === true;
  return (
    <section class="live-raw" aria-labelledby="live-raw">
      <h2 id="live-raw">{text.calibration.live}</h2>
      <p class="raw-now">
        <span class="figure">{raw.latest === null ? "–" : number(raw.latest.value, 0)}</span> {text.calibration.counts}
        {raw.latest !== null && (
          <span class="age">
            <Age at={raw.latest.at} ago />
          </span>
        )}
      </p>
      <p class={sure ? "steadiness steady" : "steadiness"} role="status">
        <Icon name={sure ? "fine" : "round"} />
        <strong>{steadiness?.words ?? text.calibration.checking}</strong>
        {steadiness?.scatter != null && <span>{text.calibration.scatter(`± ${number(steadiness.scatter, 0)}`)}</span>}
      </p>
      {failure !== undefined && failure.status !== 0 && <FailureNote failure={failure} />}
    </section>
  );
}

/** What was in force when; the newest with its curve, unless a preview is drawn already. */
function Versions({ versions, raw, drawn }: { versions: Version[]; raw: number | null; drawn: boolean }) {
  const newest = versions[0];
  if (newest === undefined) return <p>{text.calibration.versionsNone}</p>;
  const reads = raw === null ? null : readOff(newest.curve, raw);
  return (
    <>
      {drawn && (
        <>
          <h3>{text.calibration.curve}</h3>
          <div class="chart-frame chart-frame-curve">
            <CurveChart curve={newest.curve} points={newest.points} raw={raw} />
          </div>
          {reads !== null && <p>{text.calibration.nowReads(`${number(reads, 0)} %`)}</p>}
        </>
      )}
      <ul class="version-list">
        {versions.map((v) => (
          <li key={v.version}>
            <strong>{text.calibration.version(v.version)}</strong>
            {v === newest && <span class="badge badge-quiet">{text.calibration.inForce}</span>}
            <span class="hint">
              {text.calibration.made} <When at={v.made} />, {text.calibration.since} <When at={v.since} />
            </span>
            <span class="version-points">
              {v.points.map((p) => `${number(p.raw, 0)} → ${number(p.pct_wb, 0)} % (${text.calibration.error(number(2 * p.sd_pct, 1))})`).join("; ")}
            </span>
          </li>
        ))}
      </ul>
    </>
  );
}
