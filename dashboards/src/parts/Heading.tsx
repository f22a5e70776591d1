import { useEffect, useRef } from "preact/hooks";
import { hasArrived } from "../router.tsx";
import { text } from "../text/text.ts";

/** The heading of a page: names the document, and takes the focus after a move between pages. */
export function Heading({ title, hidden = false }: { title: string; hidden?: boolean }) {
  const heading = useRef<HTMLHeadingElement>(null);
  useEffect(() => {
    document.title = title === text.product ? title : `${title} · ${text.product}`;
  }, [title]);
  useEffect(() => {
    if (hasArrived()) heading.current?.focus({ preventScroll: true });
  }, []);
  return (
    <h1 ref={heading} tabIndex={-1} class={hidden ? "hidden" : ""}>
      {title}
    </h1>
  );
}
