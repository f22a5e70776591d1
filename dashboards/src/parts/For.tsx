import type { ComponentChildren } from "preact";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import type { Role } from "../shapes.ts";

const RANK: Record<Role, number> = { viewer: 0, keeper: 1, owner: 2 };

/** Whether whoever is at this screen may do what a role may; undefined until the service has said who they are. */
export function useMay(role: Role): boolean | undefined {
  const { value, failure } = useResource(resources.session);
  if (value === undefined) return failure === undefined ? undefined : true; // the service judges every request itself
  return value.role !== null && RANK[value.role] >= RANK[role];
}

interface ForProps {
  role: Role;
  /** What the others read in its place: who may do it. */
  only?: string;
  children?: ComponentChildren;
}

/** What only a role, and those above it, may do: nobody is offered a button that would be refused. */
export function For({ role, only, children }: ForProps) {
  const may = useMay(role);
  if (may === true) return <>{children}</>;
  return may === false && only !== undefined ? <p class="hint only">{only}</p> : null;
}
