/** Which stretch of time a chart shows. Pure. */

export const SPANS = ["6h", "24h", "3d", "14d", "all"] as const;
export type SpanName = (typeof SPANS)[number];

const HOUR = 3_600_000;
const HOURS: Record<Exclude<SpanName, "all">, number> = { "6h": 6, "24h": 24, "3d": 72, "14d": 336 };
/** As far back as is looked for the first reading. */
const ALL_HOURS = 5 * 8766;

/** What was chosen: a span, ending now or at a time gone back to, or a stretch drawn across. */
export type View =
  | { span: SpanName; end: number | null }
  | { from: number; to: number };

export function rangeOf(view: View, now: number): { from: number; to: number } {
  if ("from" in view) return { from: view.from, to: view.to };
  const to = view.end ?? now;
  return { from: to - spanMs(view.span), to };
}

export function spanMs(span: SpanName): number {
  return (span === "all" ? ALL_HOURS : HOURS[span]) * HOUR;
}

/** The view half its own width earlier (-1) or later (+1); one that would reach past now ends now. */
export function moved(view: View, by: -1 | 1, now: number): View {
  const { from, to } = rangeOf(view, now);
  const step = ((to - from) / 2) * by;
  if ("from" in view) {
    const over = Math.max(0, to + step - now);
    return { from: from + step - over, to: to + step - over };
  }
  return { span: view.span, end: to + step >= now ? null : to + step };
}

export function endsNow(view: View): boolean {
  return "span" in view && view.end === null;
}

/** Room on the right for forecasts that come soon enough to be seen. */
export function forecastRoom(width: number, forecasts: readonly { at: number; high: number }[]): number {
  const most = width / 2;
  const seen = forecasts.filter((f) => f.at > 0 && f.at < most);
  return seen.length === 0 ? width * 0.015 : Math.max(...seen.map((f) => Math.min(Math.max(f.at * 1.25, f.high * 1.05), most)));
}
