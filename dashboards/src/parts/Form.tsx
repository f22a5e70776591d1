import type { ComponentChildren } from "preact";
import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { text } from "../text/text.ts";
import { FailureNote } from "./States.tsx";

interface FormProps {
  /** What its button says. */
  submit: string;
  act: () => Promise<void>;
  /** Leaves it as it is. */
  cancel?: () => void;
  children: ComponentChildren;
}

/** A form whose deed may fail: says why, and can be sent again. */
export function Form({ submit, act, cancel, children }: FormProps) {
  const [busy, setBusy] = useState(false);
  const [failure, setFailure] = useState<api.Failure>();
  const send = async (): Promise<void> => {
    setBusy(true);
    setFailure(undefined);
    try {
      await act();
    } catch (error) {
      if (!(error instanceof api.Failure)) throw error;
      setFailure(error);
    }
    setBusy(false);
  };
  return (
    <form
      class="asking"
      onSubmit={(event) => {
        event.preventDefault();
        void send();
      }}
    >
      {children}
      {failure !== undefined && <FailureNote failure={failure} />}
      <div class="buttons">
        <button type="submit" class="button-main" disabled={busy}>
          {submit}
        </button>
        {cancel !== undefined && (
          <button type="button" class="quiet" onClick={cancel}>
            {text.probes.cancel}
          </button>
        )}
      </div>
    </form>
  );
}
