/** What the person at this screen chose: language, units, clock. Kept on this device; others see their own. */

import { useEffect, useReducer } from "preact/hooks";

export const CHOICES = {
  language: ["en", "de"],
  temperature: ["C", "F"],
  mass: ["kg", "lb"],
  volume: ["L", "gal"],
  clock: ["locale", "24", "12"],
} as const;

export type Viewer = { [Name in keyof typeof CHOICES]: (typeof CHOICES)[Name][number] };
export type Choice = keyof Viewer;

const KEPT_AS = "underlid/viewer";

/** The choice that fits a browser's languages, most wanted first ("en-US" measures in °F, pounds and gallons). Pure. */
export function fitting(languages: readonly string[]): Viewer {
  const known = languages.map((l) => l.slice(0, 2).toLowerCase()).find((l) => l === "en" || l === "de");
  const customary = /-US$/i.test(languages[0] ?? "");
  return {
    language: known ?? "en",
    temperature: customary ? "F" : "C",
    mass: customary ? "lb" : "kg",
    volume: customary ? "gal" : "L",
    clock: "locale",
  };
}

/** What was kept, over what fits; anything that is no choice is passed over. Pure. */
export function chosen(kept: string | null, base: Viewer): Viewer {
  let said: unknown;
  try {
    said = JSON.parse(kept ?? "{}");
  } catch {
    return base;
  }
  if (typeof said !== "object" || said === null) return base;
  const taken = Object.entries(said).filter(
    ([name, value]) => name in CHOICES && (CHOICES[name as Choice] as readonly unknown[]).includes(value),
  );
  return { ...base, ...Object.fromEntries(taken) };
}

function languages(): readonly string[] {
  return typeof navigator === "undefined" ? [] : (navigator.languages ?? []);
}

/** The present choice; everything that is drawn reads it anew. */
export let viewer: Viewer = fitting([]);

const watchers = new Set<() => void>();

/** Takes over what this device kept. */
export function recallViewer(): void {
  viewer = chosen(localStorage.getItem(KEPT_AS), fitting(languages()));
}

export function choose<Name extends Choice>(name: Name, value: Viewer[Name]): void {
  viewer = { ...viewer, [name]: value };
  localStorage.setItem(KEPT_AS, JSON.stringify(viewer));
  for (const watch of watchers) watch();
}

/** The present choice, drawn again when it changes. */
export function useViewer(): Viewer {
  const [, redraw] = useReducer<number, void>((n) => n + 1, 0);
  useEffect(() => {
    const watch = (): void => redraw();
    watchers.add(watch);
    return () => void watchers.delete(watch);
  }, []);
  return viewer;
}

/** The locale for dates: the browser's own of the chosen language, where it has one. */
export function locale(): string {
  return languages().find((l) => l.toLowerCase().startsWith(viewer.language)) ?? viewer.language;
}
