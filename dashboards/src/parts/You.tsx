import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { forget } from "../offline/said.ts";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import { text } from "../text/text.ts";
import { Form } from "./Form.tsx";
import { Icon } from "./Icon.tsx";
import { NewPassword } from "./NewPassword.tsx";
import { FailureNote } from "./States.tsx";
import { say } from "./Status.tsx";

/** Who is signed in at this screen, and how to be it no longer. */
export function You() {
  const words = text.access;
  const session = useResource(resources.session).value;
  const [failure, setFailure] = useState<api.Failure>();
  if (session === undefined) return null;
  const leave = (act: () => Promise<void>) => (): void => {
    act()
      .then(forget)
      .then(
        () => location.assign("/"),
        (error: unknown) => {
          if (error instanceof api.Failure) setFailure(error);
        },
      );
  };
  return (
    <section class="you" aria-labelledby="you">
      <h2 id="you">{words.you}</h2>
      {session.access === "open" && <p>{words.open}</p>}
      {session.name !== null && session.role !== null && <p>{words.signedInAs(session.name, words.role[session.role])}</p>}
      {failure !== undefined && <FailureNote failure={failure} />}
      {session.has_password && (
        <>
          <div class="buttons">
            <button type="button" onClick={leave(api.signOut)}>
              {words.signOut}
            </button>
            <button type="button" onClick={leave(api.signOutEverywhere)}>
              {words.signOutEverywhere}
            </button>
          </div>
          <ChangePassword />
        </>
      )}
      {session.access === "accounts" && session.role === "owner" && (
        <p>
          <Link to="/users" class="button">
            {words.people}
          </Link>
        </p>
      )}
    </section>
  );
}

function ChangePassword() {
  const words = text.access;
  const [old, setOld] = useState("");
  const [fresh, setFresh] = useState("");
  const [turn, setTurn] = useState(0);
  const change = async (): Promise<void> => {
    await api.changePassword(old, fresh);
    say(words.changed);
    setOld("");
    setTurn(turn + 1);
  };
  return (
    <details>
      <summary>
        <Icon name="down" />
        {words.change}
      </summary>
      <Form key={turn} submit={words.change} act={change}>
        <label>
          {words.present}
          <input type="password" required autoComplete="current-password" value={old} onInput={(e) => setOld(e.currentTarget.value)} />
        </label>
        <NewPassword taken={setFresh} />
      </Form>
    </details>
  );
}
