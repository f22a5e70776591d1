/** Which page an address shows; moving between pages without loading the document anew. */

import type { ComponentChildren } from "preact";
import { useEffect, useReducer } from "preact/hooks";
import { type Route, parsePath } from "./routes.ts";

const watchers = new Set<() => void>();
let arrived = false;

function arrive(): void {
  arrived = true;
  for (const watch of watchers) watch();
}
window.addEventListener("popstate", arrive);

/** Whether a page was come to from another one; true once per move, for the first heading that asks. */
export function hasArrived(): boolean {
  const was = arrived;
  arrived = false;
  return was;
}

export function navigate(path: string): void {
  if (path === location.pathname) return;
  history.pushState(null, "", path);
  window.scrollTo(0, 0);
  arrive();
}

export function useRoute(): Route {
  const [, redraw] = useReducer<number, void>((n) => n + 1, 0);
  useEffect(() => {
    const watch = (): void => redraw();
    watchers.add(watch);
    return () => void watchers.delete(watch);
  }, []);
  return parsePath(location.pathname);
}

interface LinkProps {
  to: string;
  class?: string;
  current?: boolean;
  /** Said in place of the words, where these alone do not tell where it leads. */
  label?: string;
  children: ComponentChildren;
}

/** A real link: it can be opened in a new tab, and needs no script to be understood. */
export function Link({ to, class: className, current, label, children }: LinkProps) {
  const follow = (event: MouseEvent): void => {
    if (event.defaultPrevented || event.button !== 0 || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey)
      return;
    event.preventDefault();
    navigate(to);
  };
  return (
    <a href={to} class={className} aria-label={label} aria-current={current ? "page" : undefined} onClick={follow}>
      {children}
    </a>
  );
}
