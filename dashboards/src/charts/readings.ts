/** The readings behind a chart, fetched for what it shows and again as new ones come. */

import { useEffect, useRef, useState } from "preact/hooks";
import * as api from "../api.ts";
import { farmNow } from "../clock.ts";
import type { Readings } from "../shapes.ts";
import { endsNow, rangeOf, type View } from "./span.ts";

export interface ChartReadings {
  /** By channel. */
  series: ReadonlyMap<number, Readings>;
  from: number;
  to: number;
  /** Readings closer together than this were put into one. */
  bucket: number;
}

/** One look at a stretch of time: a channel that is shown later joins those fetched already. */
interface Look {
  view: View;
  heard: string;
  now: number;
  asked: Map<number, Promise<Readings>>;
}

const POINTS = 600;
const PAUSE_MS = 3000;
const LEAST_MS = 3_600_000;

/** `news` changes when the subject spoke; a chart that ends now is then fetched again, not more often than every 3 s. */
export function useReadings(
  channels: readonly number[],
  view: View,
  news: string,
): { shown: ChartReadings | undefined; failure: api.Failure | undefined } {
  const [shown, setShown] = useState<ChartReadings>();
  const [failure, setFailure] = useState<api.Failure>();
  const [heard, setHeard] = useState(news);
  const look = useRef<Look | null>(null);
  const wanted = channels.join(",");

  useEffect(() => {
    if (!endsNow(view) || heard === news) return;
    const timer = setTimeout(() => setHeard(news), PAUSE_MS);
    return () => clearTimeout(timer);
  }, [news, heard, view]);

  useEffect(() => {
    let current = true;
    if (look.current?.view !== view || look.current.heard !== heard) look.current = { view, heard, now: farmNow(), asked: new Map() };
    fetchReadings(channels, look.current).then(
      (answer) => {
        if (!current) return;
        setShown(answer);
        setFailure(undefined);
      },
      (error: unknown) => {
        look.current = null;
        if (current && error instanceof api.Failure) setFailure(error);
      },
    );
    return () => void (current = false);
  }, [wanted, view, heard]);

  return { shown, failure };
}

async function fetchReadings(channels: readonly number[], { view, now, asked }: Look): Promise<ChartReadings> {
  const { from, to } = rangeOf(view, now);
  const isAll = "span" in view && view.span === "all";
  const fetchOne = async (channel: number): Promise<[number, Readings]> => {
    const answer = asked.get(channel) ?? api.getReadings(channel, from, to, POINTS, isAll);
    asked.set(channel, answer);
    return [channel, await answer];
  };
  const series = new Map(await Promise.all(channels.map(fetchOne)));
  if (!isAll) return { series, from, to, bucket: (to - from) / POINTS };
  // What there is begins with the channel that has spoken for the longest; its buckets are the widest.
  const firsts = [...series.values()].flatMap((s) => (s.time[0] === undefined ? [] : [Date.parse(s.time[0])]));
  const first = Math.min(to - LEAST_MS, ...firsts);
  return { series, from: firsts.length === 0 ? from : first, to, bucket: (to - first) / POINTS };
}
