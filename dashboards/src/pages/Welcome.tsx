import { useEffect, useState } from "preact/hooks";
import * as api from "../api.ts";
import { Form } from "../parts/Form.tsx";
import { Heading } from "../parts/Heading.tsx";
import { NewPassword } from "../parts/NewPassword.tsx";
import { FailureNote, Loading } from "../parts/States.tsx";
import type { Invitation } from "../shapes.ts";
import { text } from "../text/text.ts";

/** Where a one-time link leads. Its secret stands behind #, which a browser sends nowhere. */
export function Welcome() {
  const words = text.access;
  const [secret] = useState(() => location.hash.slice(1));
  const [invitation, setInvitation] = useState<Invitation>();
  const [failure, setFailure] = useState<api.Failure>();
  const [name, setName] = useState("");
  const [password, setPassword] = useState("");
  useEffect(() => {
    if (secret === "") setFailure(new api.Failure(404, words.brokenLink));
    else
      api.lookAtInvitation(secret).then(setInvitation, (error: unknown) => {
        if (error instanceof api.Failure) setFailure(error);
      });
  }, [secret]);
  if (failure !== undefined) return <FailureNote failure={failure} whole />;
  if (invitation === undefined) return <Loading />;
  const enter = async (): Promise<void> => {
    await api.redeemInvitation(secret, name.trim(), password);
    location.replace("/"); // and the secret is gone from the address
  };
  return (
    <div class="page narrow-page">
      <Heading title={invitation.name === null ? words.welcome(words.role[invitation.role]) : words.newPassword(invitation.name)} />
      <Form submit={words.take} act={enter}>
        {invitation.name === null ? (
          <label>
            {words.name}
            <input required maxLength={40} autoComplete="username" value={name} onInput={(e) => setName(e.currentTarget.value)} />
          </label>
        ) : (
          <input class="hidden" autoComplete="username" value={invitation.name} readOnly tabIndex={-1} aria-hidden="true" />
        )}
        <NewPassword taken={setPassword} />
      </Form>
    </div>
  );
}
