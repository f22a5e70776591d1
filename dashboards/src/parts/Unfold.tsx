import type { ComponentChildren } from "preact";
import { useRef, useState } from "preact/hooks";

interface UnfoldProps<Name extends string> {
  /** What each button says; pressed, it opens its own form below, and pressed again shuts it. */
  labels: Record<Name, string>;
  /** Said after the words, where these alone do not tell of what. */
  of?: string;
  children: (name: Name, close: () => void) => ComponentChildren;
}

/** Forms behind buttons, one open at a time; the focus goes back to the button of one that is done. */
export function Unfold<Name extends string>({ labels, of, children }: UnfoldProps<Name>) {
  const [open, setOpen] = useState<Name>();
  const buttons = useRef<HTMLDivElement>(null);
  const close = (): void => {
    buttons.current?.querySelector<HTMLElement>("[aria-expanded=true]")?.focus();
    setOpen(undefined);
  };
  return (
    <>
      <div class="buttons" ref={buttons}>
        {(Object.keys(labels) as Name[]).map((name) => (
          <button key={name} type="button" aria-label={of === undefined ? undefined : `${labels[name]}: ${of}`} aria-expanded={open === name} onClick={() => setOpen(open === name ? undefined : name)}>
            {labels[name]}
          </button>
        ))}
      </div>
      {open !== undefined && children(open, close)}
    </>
  );
}
