import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { Heading } from "../parts/Heading.tsx";
import { Form } from "../parts/Form.tsx";
import type { Session } from "../shapes.ts";
import { text } from "../text/text.ts";

/** Asks who is there. What was asked for is shown once they are in. */
export function SignIn({ session }: { session: Session }) {
  const words = text.access;
  const [name, setName] = useState("");
  const [password, setPassword] = useState("");
  const enter = async (): Promise<void> => {
    await api.signIn(name.trim(), password);
    location.reload(); // everything was asked for in vain before
  };
  return (
    <div class="page narrow-page">
      <Heading title={words.signIn} />
      {session.set_up ? (
        <Form submit={words.signIn} act={enter}>
          <label>
            {words.name}
            <input required maxLength={40} autoComplete="username" autoCapitalize="none" value={name} onInput={(e) => setName(e.currentTarget.value)} />
          </label>
          <label>
            {words.password}
            <input
              type="password"
              required
              maxLength={200}
              autoComplete="current-password"
              value={password}
              onInput={(e) => setPassword(e.currentTarget.value)}
            />
          </label>
          <p class="hint">{words.forgotten}</p>
        </Form>
      ) : (
        <p>{words.notSetUp}</p>
      )}
    </div>
  );
}
