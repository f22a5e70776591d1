import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { farmNow, farmZone } from "../clock.ts";
import { date } from "../format.ts";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import type { Role, Token, TokenMade } from "../shapes.ts";
import { text } from "../text/text.ts";
import { Form } from "./Form.tsx";
import { RoleField } from "./RoleField.tsx";
import { FailureNote } from "./States.tsx";

const USUAL_DAYS = 90;

/** What programs sign in with. */
export function Tokens() {
  const words = text.access;
  const tokens = useResource(resources.tokens);
  const [name, setName] = useState("");
  const [role, setRole] = useState<Role>("viewer");
  const [days, setDays] = useState(USUAL_DAYS);
  const [made, setMade] = useState<TokenMade>();
  const make = async (): Promise<void> => {
    setMade(await api.makeToken(name.trim(), role, days));
    setName("");
    touched({ kind: "token", id: "" });
  };
  return (
    <section aria-labelledby="tokens">
      <h2 id="tokens">{words.tokens}</h2>
      <p class="hint">{words.tokensHint}</p>
      {tokens.value?.length === 0 && <p>{words.noTokens}</p>}
      <ul class="people">
        {(tokens.value ?? []).map((token) => (
          <Line key={token.id} token={token} />
        ))}
      </ul>
      <Form submit={words.makeToken} act={make}>
        <label>
          {words.tokenName}
          <input required maxLength={40} value={name} onInput={(e) => setName(e.currentTarget.value)} />
        </label>
        <RoleField label={words.tokenRole} value={role} take={setRole} />
        <label>
          {words.days}
          <input type="number" required min={1} max={3660} value={days} onInput={(e) => setDays(e.currentTarget.valueAsNumber)} />
        </label>
        {made !== undefined && (
          <div role="status">
            <p>{words.token}</p>
            <p>
              <code class="secret">{made.secret}</code>
            </p>
          </div>
        )}
      </Form>
    </section>
  );
}

function Line({ token }: { token: Token }) {
  const words = text.access;
  const [failure, setFailure] = useState<api.Failure>();
  const remove = (): void => {
    api.removeToken(token.id).then(
      () => touched({ kind: "token", id: String(token.id) }),
      (error: unknown) => {
        if (error instanceof api.Failure) setFailure(error);
      },
    );
  };
  const until = date(Date.parse(token.until), farmZone());
  const holds = Date.parse(token.until) > farmNow();
  return (
    <li class="person">
      <h3>{token.name}</h3>
      <p class="hint">
        {words.role[token.role]}, {holds ? words.until(until) : words.ended(until)}
      </p>
      <div class="buttons">
        <button type="button" aria-label={words.removeOf(token.name)} onClick={remove}>
          {words.remove}
        </button>
      </div>
      {failure !== undefined && <FailureNote failure={failure} />}
    </li>
  );
}
