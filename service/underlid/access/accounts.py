"""What is done with accounts: invited, made, signed in, signed out, and who a secret belongs to.

Each works within the caller's transaction. Raises RefusedError with one sentence for whoever asked.
"""

import re
from dataclasses import dataclass

from underlid.access.passwords import check_password, hash_password
from underlid.access.roles import Role, Who
from underlid.access.secret import TOKEN, digest, make_secret
from underlid.store import accounts as store
from underlid.store.accounts import Account, Invitation, Session, Token
from underlid.store.ledger import Connection

DAY_MS = 86_400_000
SESSION_MS, UNUSED_MS = 180 * DAY_MS, 30 * DAY_MS  # a session's longest life, and without being used
SEEN_EVERY_MS = DAY_MS  # how exactly its last use is kept
INVITATION_MS = DAY_MS
MOST_ACCOUNTS, MOST_TOKENS = 200, 200
_NAME = re.compile(r"\w([\w .'@-]{0,38}[\w.])?")


class RefusedError(Exception):
    """What somebody asked for can't be: one sentence that says why."""


@dataclass(frozen=True, slots=True)
class Invited:
    """For whom a link is: `name` where it sets the password of an account that exists."""

    role: Role
    name: str | None


def has_owner(connection: Connection) -> bool:
    return store.count(connection, Role.OWNER) > 0


def invite(connection: Connection, role: Role, now_ms: int, name: str | None = None) -> str:
    """The secret of a one-time link: for a new account, or for a new password of the named one."""
    store.forget_invitations(connection, now_ms)
    account = named(connection, name) if name is not None else None
    secret = make_secret()
    role = Role(account.role) if account else role
    new = Invitation(digest(secret), role, account.id if account else None, now_ms + INVITATION_MS)
    store.add_invitation(connection, new)
    return secret


def invited(connection: Connection, secret: str, now_ms: int) -> Invited:
    invitation = _invitation(connection, secret, now_ms)
    account = store.by_id(connection, invitation.account_id) if invitation.account_id is not None else None
    return Invited(Role(invitation.role), account.name if account else None)


def redeem(connection: Connection, secret: str, name: str, hashed: str, now_ms: int) -> tuple[Account, str]:
    """Make the account of a link, or set its password; gives it with the secret of a session."""
    invitation = _invitation(connection, secret, now_ms)
    if invitation.account_id is not None:
        store.change_account(connection, invitation.account_id, hash=hashed)
        store.end_sessions(connection, invitation.account_id)
        account = store.by_id(connection, invitation.account_id)
        assert account is not None  # its removal takes the invitation along
    else:
        account = make_account(connection, name, Role(invitation.role), hashed, now_ms)
    store.remove_invitation(connection, invitation.digest)
    return account, open_session(connection, account, now_ms)


def make_account(connection: Connection, name: str, role: Role, hashed: str, now_ms: int) -> Account:
    """An account with a password's hash, which takes a while to make and so is made beforehand."""
    if not _NAME.fullmatch(name):
        raise RefusedError("A name has 1 to 40 letters, digits, blanks or . ' @ -, for example Anna.")
    if store.by_name(connection, name) is not None:
        raise RefusedError(f"There is an account named {name} already; take another name.")
    if len(store.accounts(connection)) >= MOST_ACCOUNTS:
        raise RefusedError(f"There are {MOST_ACCOUNTS} accounts, and no more can be; remove some first.")
    return store.add_account(connection, name, role, hashed, now_ms)


def new_hash(password: str, name: str) -> str:
    """The hash of a password that will do; slow by intention."""
    try:
        check_password(password, name)
    except ValueError as error:
        raise RefusedError(f"{str(error)[0].upper()}{str(error)[1:]}.") from error
    return hash_password(password)


def open_session(connection: Connection, account: Account, now_ms: int) -> str:
    """The secret of a new session."""
    store.forget_sessions(connection, now_ms - SESSION_MS, now_ms - UNUSED_MS)
    secret = make_secret()
    store.add_session(connection, Session(digest(secret), account.id, now_ms, now_ms))
    store.change_account(connection, account.id, signed_in_ms=now_ms)
    return secret


def who_has_session(connection: Connection, secret: str, now_ms: int) -> tuple[Who, bool] | None:
    """Whose session it is, and whether its use should be noted again; None where it holds no longer."""
    found = store.session_of(connection, digest(secret))
    if found is None:
        return None
    session, account = found
    if now_ms - session.made_ms >= SESSION_MS or now_ms - session.seen_ms >= UNUSED_MS:
        return None
    who = Who(account.name, Role(account.role), account.id, session.digest)
    return who, now_ms - session.seen_ms >= SEEN_EVERY_MS


def who_has_token(connection: Connection, secret: str, now_ms: int) -> Who | None:
    """Whose token it is; None where it holds no longer."""
    token = store.token_of(connection, digest(secret))
    if token is None or now_ms >= token.until_ms:
        return None
    return Who(f"token {token.name}", Role(token.role))


def make_token(connection: Connection, name: str, role: Role, days: float, now_ms: int) -> tuple[Token, str]:
    """A token and its secret, which is nowhere else."""
    if not _NAME.fullmatch(name):
        raise RefusedError(
            "A token's name has 1 to 40 letters, digits, blanks or . ' @ -, as in 'shed display'."
        )
    known = store.tokens(connection)
    if name in {token.name for token in known}:
        raise RefusedError(f"There is a token named {name} already; remove it, or take another name.")
    if len(known) >= MOST_TOKENS:
        raise RefusedError(f"There are {MOST_TOKENS} tokens, and no more can be; remove some first.")
    secret = make_secret(TOKEN)
    until_ms = now_ms + round(days * DAY_MS)
    return store.add_token(connection, name, digest(secret), role, now_ms, until_ms), secret


def change_role(connection: Connection, account_id: int, role: Role) -> Account:
    account = _present(connection, account_id)
    if role != Role.OWNER:
        _keep_an_owner(connection, account)
    store.change_account(connection, account_id, role=role)
    return _present(connection, account_id)


def remove(connection: Connection, account_id: int) -> Account:
    """Take an account away, and whatever it is signed in with."""
    account = _present(connection, account_id)
    _keep_an_owner(connection, account)
    store.remove_account(connection, account_id)
    return account


def named(connection: Connection, name: str) -> Account:
    account = store.by_name(connection, name)
    if account is None:
        known = ", ".join(each.name for each in store.accounts(connection))
        raise RefusedError(
            f"There is no account named {name[:80]}; {f'there are {known}' if known else 'there is none'}."
        )
    return account


def _present(connection: Connection, account_id: int) -> Account:
    account = store.by_id(connection, account_id)
    if account is None:
        raise RefusedError(f"There is no account {account_id}.")
    return account


def _keep_an_owner(connection: Connection, account: Account) -> None:
    if account.role == Role.OWNER and store.count(connection, Role.OWNER) == 1:
        raise RefusedError(f"{account.name} is the only owner; make somebody else one first.")


def _invitation(connection: Connection, secret: str, now_ms: int) -> Invitation:
    invitation = store.invitation_of(connection, digest(secret))
    if invitation is None or now_ms >= invitation.until_ms:
        raise RefusedError("This link was used already or is too old; ask for a new one.")
    return invitation
