import { sentence } from "../format.ts";
import type { Role } from "../shapes.ts";
import { text } from "../text/text.ts";

const ROLES: readonly Role[] = ["viewer", "keeper", "owner"];

interface RoleFieldProps {
  label: string;
  /** Whether the label is for screen readers alone, in a line where what a role may do is not told again. */
  hidden?: boolean;
  value: Role;
  take: (role: Role) => void;
}

export function RoleField({ label, hidden = false, value, take }: RoleFieldProps) {
  return (
    <label class="role-field">
      <span class={hidden ? "hidden" : ""}>{label}</span>
      <select value={value} onChange={(e) => take(e.currentTarget.value as Role)}>
        {ROLES.map((role) => (
          <option key={role} value={role}>
            {sentence(text.access.role[role])}
          </option>
        ))}
      </select>
      {!hidden && <span class="hint">{text.access.roleMay[value]}</span>}
    </label>
  );
}
