/** Small drawings of our own; each stands beside a word and is hidden from screen readers. */

const PATHS = {
  // The shape, not only the colour, tells how pressing a badge is.
  urgent: "M5.5 1.5h5l4 4v5l-4 4h-5l-4-4v-5zM8 4.2v5M8 11.4v.6",
  today: "M8 1.2 14.8 8 8 14.8 1.2 8zM8 5v4M8 11v.4",
  round: "M8 1.8a6.2 6.2 0 1 1 0 12.4A6.2 6.2 0 0 1 8 1.8zM8 4.6V8l2.6 1.8",
  info: "M8 1.8a6.2 6.2 0 1 1 0 12.4A6.2 6.2 0 0 1 8 1.8zM8 7v4.2M8 4.6v.3",
  look: "M1.500 8C3.500 4.800 5.600 3.400 8 3.400s4.500 1.400 6.500 4.600c-2 3.200-4.100 4.600-6.500 4.600S3.500 11.200 1.500 8zM8 6.200a1.800 1.800 0 1 1 0 3.600 1.800 1.800 0 0 1 0-3.600z",
  fine: "M2.5 8.6 6.2 12.4 13.6 4",
  silent: "M3 8h2M7 8h2M11 8h2",
  unwatched: "M8 2.4v11.2M2.4 8h11.2",
  partly: "M8 1.8a6.2 6.2 0 1 1 0 12.4A6.2 6.2 0 0 1 8 1.8zM8 1.8v12.4",
  low: "M2.6 4.5h10.8L8 13z",
  high: "M2.6 11.5h10.8L8 3z",
  stale: "M3 8h2M7 8h2M11 8h2",
  rising: "M3.5 12.5 12 4M5.6 4H12v6.4",
  falling: "M3.5 3.5 12 12M12 5.6V12H5.6",
  steady: "M2.5 8h10.6M9 3.8 13.2 8 9 12.2",
  unknown: "M4 8h1M7.6 8h1M11.2 8h1",
  bins: "M1.6 4.6h12.8M3 4.6l.9 9.2h8.2l.9-9.2M3.6 8.2c2-1.4 3 1.2 5 0s2.6-.6 3.8 0M4 1.9l8.6 1",
  alarms: "M8 2v1.2M3 12h10c-1-1-1.6-2.2-1.6-4.4C11.4 5 10 3.2 8 3.2S4.6 5 4.6 7.600c0 2.200-.6 3.400-1.600 4.400zM6.600 14.200h2.800",
  probes: "M5.200 1.600h5.600v5H5.200zM8 6.600v8M8 14.600l-.9-2M8 14.600l.9-2M2.500 3c-.8 1.200-.8 1.800 0 3M13.500 3c.8 1.200.8 1.800 0 3",
  reports: "M3 1.800h7l3 3v9.400H3zM10 1.800v3h3M5.500 12V9.500M8 12V7M10.500 12V8.500",
  fed: "M2 9.500h12c0 3-2.600 4.700-6 4.700S2 12.500 2 9.500zM8 9c0-3.500 1.500-5.500 4-6.500M8 7C7 5 5.500 4 4 4",
  wetted: "M8 1.800c2.600 3.300 4.200 5.400 4.200 7.800a4.200 4.200 0 0 1-8.400 0C3.800 7.200 5.400 5.100 8 1.800z",
  turned: "M3 8a5 5 0 0 1 8.600-3.400M13 8a5 5 0 0 1-8.600 3.400M11.800 1.800v3h-3M4.200 14.200v-3h3",
  bedding: "M2 5c2-1.600 4 1.600 6 0s4 1.600 6 0M2 8.500c2-1.600 4 1.600 6 0s4 1.600 6 0M2 12c2-1.600 4 1.600 6 0s4 1.600 6 0",
  harvest: "M8 13.500V6M8 6 4.800 9M8 6l3.200 3M2.500 2.500h11",
  split: "M8 2v4M8 6 3.500 10v4M8 6l4.500 4v4",
  worms: "M2 11c1.500-5 3.500-5 4.500-1.500S9.500 13 11 8s2-4.500 3-3.500",
  seen: "M1.500 8C3.500 4.800 5.600 3.400 8 3.400s4.500 1.400 6.500 4.600c-2 3.200-4.100 4.600-6.500 4.600S3.500 11.200 1.500 8zM8 6.200a1.800 1.800 0 1 1 0 3.600 1.800 1.800 0 0 1 0-3.600z",
  lid: "M2.500 8h11v5.500h-11zM2.200 6.200l11-3.400",
  photo: "M2 4.500h3l1-2h4l1 2h3v9H2zM8 6.500a2.500 2.500 0 1 1 0 5 2.500 2.500 0 0 1 0-5z",
  settings: "M2 4.500h6M12 4.500h2M2 11.500h2M8 11.500h6M10 2.800v3.400M6 9.800v3.400",
  back: "M13.500 8H3M7 3.500 2.500 8 7 12.500",
  down: "M3 5.500 8 10.500l5-5",
} as const;

export type IconName = keyof typeof PATHS;

const FILLED: readonly IconName[] = ["low", "high"];

export function Icon({ name }: { name: IconName }) {
  return (
    <svg class={FILLED.includes(name) ? "icon icon-filled" : "icon"} viewBox="0 0 16 16" aria-hidden="true" focusable="false">
      <path d={PATHS[name]} />
    </svg>
  );
}
