import type { ComponentChildren } from "preact";
import { useEffect, useRef } from "preact/hooks";
import { farmNow, farmZone, useTicking } from "../clock.ts";
import { inUnits, time, withoutName } from "../format.ts";
import { useQueue } from "../offline/queue.ts";
import { isPlaced } from "../probes.ts";
import * as resources from "../resources.ts";
import { useLink, useResource } from "../resources.ts";
import { Link, useRoute } from "../router.tsx";
import type { Alarm } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Icon } from "./Icon.tsx";
import { say, Status } from "./Status.tsx";

/** What surrounds every page: the way around, how the link stands, words for a screen reader. */
export function Shell({ children }: { children: ComponentChildren }) {
  const farm = useResource(resources.farm);
  const alarms = useResource(resources.liveAlarms);
  const probes = useResource(resources.probes);
  const queue = useQueue().filter((q) => q.late || q.trouble !== null);
  const route = useRoute();
  const fresh = (probes.value ?? []).filter((p) => !isPlaced(p)).length;
  const unseen = (alarms.value ?? []).filter((a) => a.state === "unacknowledged").length;
  useAnnouncements(alarms.value);
  return (
    <>
      <a class="skip" href="#content">
        {text.skip}
      </a>
      <header class="top">
        <Link to="/" class="product">
          <Sign />
          <span class="product-name">{farm.value?.name ?? text.product}</span>
          <span class="hidden">, {text.bins.title}</span>
        </Link>
        <LinkState />
        <Link to="/settings" class="to-settings" current={route.page === "settings"} label={text.nav.settings}>
          <Icon name="settings" />
        </Link>
      </header>
      {farm.value !== undefined && farm.value.speed !== 1 && <aside class="demonstration">{text.demonstration(farm.value.speed)}</aside>}
      <StaleNote />
      <TroubleNote />
      <nav class="main-nav" aria-label={text.nav.label}>
        <Tab to="/" icon="bins" label={text.nav.bins} current={route.page === "bins" || route.page === "bin" || route.page === "feed-store"} />
        <Tab to="/round" icon="round" label={text.nav.round} current={route.page === "round"} count={queue.length} counted={text.queue.waiting(queue.length)} />
        <Tab to="/alarms" icon="alarms" label={text.nav.alarms} current={route.page === "alarms"} count={unseen} counted={text.count.newAlarms(unseen)} urgent />
        <Tab to="/probes" icon="probes" label={text.nav.probes} current={route.page === "probes"} count={fresh} counted={text.count.newProbes(fresh)} />
        <Tab to="/reports" icon="reports" label={text.nav.reports} current={route.page === "reports"} />
      </nav>
      <main id="content" tabIndex={-1}>
        {children}
      </main>
      <Status />
    </>
  );
}

/** What surrounds a page for those who are not signed in. */
export function Outside({ children }: { children: ComponentChildren }) {
  return (
    <>
      <header class="top">
        <span class="product">
          <Sign />
          <span class="product-name">{text.product}</span>
        </span>
      </header>
      <main id="content" tabIndex={-1}>
        {children}
      </main>
      <Status />
    </>
  );
}

function Sign() {
  return (
    <svg class="sign" viewBox="0 0 28 24" aria-hidden="true">
      <path class="sign-lid" d="M2 8.500 25 2" />
      <path class="sign-box" d="M3.500 11h21l-2 11h-17z" />
      <path class="sign-layer" d="M5 16.500c3-1.500 5 1.200 9 0s6-1 9 .2" />
    </svg>
  );
}

interface TabProps {
  to: string;
  icon: "bins" | "round" | "alarms" | "probes" | "reports";
  label: string;
  current: boolean;
  count?: number;
  counted?: string;
  urgent?: boolean;
}

function Tab({ to, icon, label, current, count = 0, counted = "", urgent = false }: TabProps) {
  return (
    <Link to={to} class="tab" current={current}>
      <Icon name={icon} />
      <span>{label}</span>
      {count > 0 && (
        <span class={urgent ? "tab-count tab-count-urgent" : "tab-count"}>
          <span aria-hidden="true">{count}</span>
          <span class="hidden"> {counted}</span>
        </span>
      )}
    </Link>
  );
}

function LinkState() {
  const { link } = useLink();
  const clock = useTicking((now) => time(now, now, farmZone()));
  if (link.state === "stale") return <span class="link link-stale" />;
  return (
    <span class={`link link-${link.state}`}>
      <span class="link-sign" aria-hidden="true" />
      {text.live[link.state]} <span class="figure">{clock}</span>
    </span>
  );
}

/** Says since when nothing was heard; the page stays readable beneath. */
function StaleNote() {
  const { link, retry } = useLink();
  const wasStale = useRef(false);
  useEffect(() => {
    if (link.state === "live" && wasStale.current) say(text.live.back);
    wasStale.current = link.state === "stale";
  }, [link.state]);
  return (
    <div role="alert">
      {link.state === "stale" && (
        <div class="stale">
          <p>{text.live.stale(time(link.sinceMs, farmNow(), farmZone()))}</p>
          <button type="button" onClick={retry}>
            {text.live.retry}
          </button>
        </div>
      )}
    </div>
  );
}

/** Says which part of the service is not well: it still shows what it knows. */
function TroubleNote() {
  const health = useResource(resources.health).value;
  const { link } = useLink();
  if (link.state === "stale" || health === undefined || health.not_well.length === 0) return null;
  return (
    <div class="degraded" role="status" aria-label={text.serviceParts.label}>
      {health.not_well.map((part) => (
        <p key={part}>
          <strong>{text.serviceParts.parts[part] ?? part}</strong>: {health.parts[part]}
        </p>
      ))}
    </div>
  );
}

/** Reads out an alarm that was not there before. */
function useAnnouncements(alarms: Alarm[] | undefined): void {
  const known = useRef<Map<number, string> | null>(null);
  useEffect(() => {
    if (alarms === undefined) return;
    const before = known.current;
    known.current = new Map(alarms.map((a) => [a.id, a.state]));
    if (before === null) return;
    const fresh = alarms.find((a) => a.state === "unacknowledged" && before.get(a.id) !== "unacknowledged");
    if (fresh !== undefined) say(text.alarms.newOne(`${fresh.subject_name}, ${withoutName(inUnits(fresh.headline), fresh.subject_name)}`), true);
  }, [alarms]);
}
