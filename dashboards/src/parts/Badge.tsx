import type { Need } from "../need.ts";
import type { Priority } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Icon } from "./Icon.tsx";

export function Badge({ need }: { need: Need }) {
  const words = need in text.priority ? text.priority[need as Priority] : text.bins.badge[need as Exclude<Need, Priority>];
  return (
    <span class={`badge badge-${need}`}>
      <Icon name={need} />
      {words}
    </span>
  );
}
