interface NumberFieldProps {
  label: string;
  value: string;
  set: (value: string) => void;
  /** Must be larger than this, where given; else 0 or more. */
  moreThan?: number;
  max?: number;
}

/** A number that is needed, entered on a phone's number pad. */
export function NumberField({ label, value, set, moreThan, max = 100_000 }: NumberFieldProps) {
  return (
    <label>
      {label}
      <input
        type="number"
        inputMode="decimal"
        step="any"
        required
        min={moreThan === undefined ? 0 : moreThan + 0.001}
        max={max}
        value={value}
        onInput={(e) => set(e.currentTarget.value)}
      />
    </label>
  );
}
