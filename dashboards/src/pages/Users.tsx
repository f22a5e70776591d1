import { useState } from "preact/hooks";
import * as api from "../api.ts";
import { farmNow, farmZone } from "../clock.ts";
import { time } from "../format.ts";
import { Form } from "../parts/Form.tsx";
import { useMay } from "../parts/For.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Icon } from "../parts/Icon.tsx";
import { RoleField } from "../parts/RoleField.tsx";
import { Absent, FailureNote, Loading, Instead } from "../parts/States.tsx";
import { Tokens } from "../parts/Tokens.tsx";
import * as resources from "../resources.ts";
import { touched, useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import type { InvitationMade, Role, User } from "../shapes.ts";
import { text } from "../text/text.ts";

/** People and programs that may come in, and what was changed by whom: the owner's page. */
export function Users() {
  const may = useMay("owner");
  if (may === undefined) return <Loading />;
  return may ? <ForOwners /> : <Instead title={text.access.people} words={text.may.people} />;
}

function ForOwners() {
  const words = text.access;
  const users = useResource(resources.users);
  if (users.value === undefined) return <Absent of={users} />;
  return (
    <div class="page narrow-page">
      <header class="subject-head">
        <Link to="/settings" class="back">
          <Icon name="back" />
          {text.nav.settings}
        </Link>
        <Heading title={words.people} />
      </header>
      {users.value.length === 0 && <p class="hint">{words.nobody}</p>}
      <ul class="people">
        {users.value.map((user) => (
          <Person key={user.id} user={user} />
        ))}
      </ul>
      <Invite />
      <Tokens />
      <Audit />
    </div>
  );
}

function Person({ user }: { user: User }) {
  const words = text.access;
  const session = useResource(resources.session).value;
  const [failure, setFailure] = useState<api.Failure>();
  const [link, setLink] = useState<InvitationMade>();
  const [asks, setAsks] = useState(false);
  const act = (deed: Promise<unknown>): void => {
    setFailure(undefined);
    deed.then(
      () => touched({ kind: "user", id: String(user.id) }),
      (error: unknown) => {
        if (error instanceof api.Failure) setFailure(error);
      },
    );
  };
  const isYou = session?.name === user.name;
  return (
    <li class="person">
      <h2>
        {user.name}
        {isYou && <span class="count">{words.itIsYou}</span>}
      </h2>
      <p class="hint">{user.signed_in === null ? words.never : words.signedIn(time(Date.parse(user.signed_in), farmNow(), farmZone()))}</p>
      <div class="buttons">
        <RoleField label={words.roleOf(user.name)} hidden value={user.role} take={(role) => act(api.changeRole(user.id, role))} />
        <button type="button" aria-label={words.resetOf(user.name)} onClick={() => act(api.resetPassword(user.id).then(setLink))}>
          {words.reset}
        </button>
        <button type="button" aria-expanded={asks} aria-label={words.removeOf(user.name)} onClick={() => setAsks(!asks)}>
          {words.remove}
        </button>
      </div>
      {asks && (
        <div class="asking">
          <p>{words.removeSure(user.name)}</p>
          <div class="buttons">
            <button type="button" class="button-main" onClick={() => act(api.removeUser(user.id))}>
              {words.remove}
            </button>
            <button type="button" onClick={() => setAsks(false)}>
              {words.keep}
            </button>
          </div>
        </div>
      )}
      {link !== undefined && <OneTimeLink link={link} />}
      {failure !== undefined && <FailureNote failure={failure} />}
    </li>
  );
}

function Invite() {
  const words = text.access;
  const [role, setRole] = useState<Role>("keeper");
  const [link, setLink] = useState<InvitationMade>();
  return (
    <section aria-labelledby="invite">
      <h2 id="invite">{words.invite}</h2>
      <Form submit={words.makeLink} act={async () => setLink(await api.invite(role))}>
        <RoleField label={words.theyMay} value={role} take={setRole} />
        {link !== undefined && <OneTimeLink link={link} />}
      </Form>
    </section>
  );
}

function OneTimeLink({ link }: { link: InvitationMade }) {
  return (
    <div role="status">
      <p>{text.access.link}</p>
      <p>
        <code class="secret">{location.origin + link.path}</code>
      </p>
    </div>
  );
}

const PAGE = 25;
const MOST = 1000;

function Audit() {
  const words = text.access;
  const [limit, setLimit] = useState(PAGE);
  const audit = useResource(resources.audit(limit));
  const items = audit.value?.items ?? [];
  return (
    <section aria-labelledby="audit">
      <h2 id="audit">{words.audit}</h2>
      {audit.value !== undefined && items.length === 0 && <p>{words.auditNone}</p>}
      {items.length > 0 && (
        <div class="table-frame" tabIndex={0} role="group" aria-labelledby="audit">
          <table>
            <thead>
              <tr>
                <th scope="col">{words.at}</th>
                <th scope="col">{words.who}</th>
                <th scope="col">{words.what}</th>
                <th scope="col">{words.from}</th>
              </tr>
            </thead>
            <tbody>
              {items.map((item) => (
                <tr key={item.id}>
                  <td>{time(Date.parse(item.at), farmNow(), farmZone())}</td>
                  <td>{item.who}</td>
                  <td class="audit-what">
                    {item.what} <small>{item.detail}</small>
                  </td>
                  <td>{item.address}</td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
      {audit.value !== undefined && audit.value.next !== null && limit < MOST && (
        <button type="button" onClick={() => setLimit(Math.min(limit * 4, MOST))}>
          {words.auditMore}
        </button>
      )}
    </section>
  );
}
