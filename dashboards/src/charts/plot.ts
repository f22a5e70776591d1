/** The life of a plot on a page: made when there is room, made anew when what it shows or the theme changes. */

import type { RefObject } from "preact";
import { useEffect, useRef } from "preact/hooks";
import type uPlot from "uplot";
import "uplot/dist/uPlot.min.css";

export type Colours = (name: string) => string;
export type MakePlot = (element: HTMLElement, size: { width: number; height: number }, colours: Colours) => uPlot;

export function usePlot(make: MakePlot, shown: readonly unknown[]): RefObject<HTMLDivElement | null> {
  const host = useRef<HTMLDivElement>(null);
  useEffect(() => {
    const element = host.current;
    if (element === null) return;
    let plot: uPlot | undefined;
    const build = (): void => {
      plot?.destroy();
      const size = { width: element.clientWidth, height: element.clientHeight };
      plot = size.width > 0 ? make(element, size, colourReader(element)) : undefined;
    };
    build();
    const resized = new ResizeObserver(() => {
      if (plot === undefined) build();
      else plot.setSize({ width: element.clientWidth, height: element.clientHeight });
    });
    resized.observe(element);
    const theme = matchMedia("(prefers-color-scheme: dark)");
    theme.addEventListener("change", build);
    return () => {
      theme.removeEventListener("change", build);
      resized.disconnect();
      plot?.destroy();
    };
  }, shown);
  return host;
}

function colourReader(element: HTMLElement): Colours {
  const style = getComputedStyle(element);
  return (name) => style.getPropertyValue(name).trim();
}

/** The font of the page at the size of an axis. */
export function axisFont(): string {
  return `12px ${getComputedStyle(document.body).fontFamily}`;
}
