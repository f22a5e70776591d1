import { useState } from "preact/hooks";
import { text } from "../text/text.ts";

export const FEWEST_SIGNS = 12;

/** A new password, twice, so that nobody is shut out by a slip of the finger. */
export function NewPassword({ taken }: { taken: (password: string) => void }) {
  const words = text.access;
  const [first, setFirst] = useState("");
  const [second, setSecond] = useState("");
  const field = (value: string, take: (value: string) => void, wrong: string) => (
    <input
      type="password"
      required
      minLength={FEWEST_SIGNS}
      maxLength={200}
      autoComplete="new-password"
      value={value}
      ref={(input) => input?.setCustomValidity(wrong)}
      onInput={(e) => take(e.currentTarget.value)}
    />
  );
  return (
    <>
      <label>
        {words.fresh}
        {field(
          first,
          (value) => {
            setFirst(value);
            taken(value);
          },
          "",
        )}
        <span class="hint">{words.passwordHint}</span>
      </label>
      <label>
        {words.again}
        {field(second, setSecond, second === first ? "" : words.differ)}
      </label>
    </>
  );
}
