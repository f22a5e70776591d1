"""Letting people and programs in from the terminal: accounts by one-time links, tokens; told once."""

import contextlib
from collections.abc import Iterator
from datetime import UTC, datetime

from underlid.access import accounts
from underlid.access.accounts import INVITATION_MS, RefusedError
from underlid.access.roles import Role
from underlid.address import is_loopback
from underlid.ground import farm_ledger
from underlid.settings import Settings, split_address
from underlid.store import accounts as store
from underlid.store import audit
from underlid.store.ledger import Connection, Ledger


def invite(settings: Settings, role: Role, name: str | None, now_ms: int) -> list[str]:
    """A one-time link for a new account, or for a new password of the named one."""
    with _changing(settings, now_ms, f"link made for {name or f'a new {role}'}") as connection:
        secret = accounts.invite(connection, role, now_ms, name)
    what = f"sets {name}'s password" if name else f"makes an account, as {role}"
    return [
        f"This link {what}, once, until {_moment(now_ms + INVITATION_MS)}:",
        f"{_address(settings)}/welcome#{secret}",
        *reach(settings),
    ]


def listed(settings: Settings, now_ms: int) -> list[str]:
    """A line for each account, and for each link that still waits for somebody to make one."""
    with _ledger(settings) as ledger, ledger.reading() as connection:
        links = [each for each in store.invitations(connection, now_ms) if each.account_id is None]
        waiting = [
            f"A link that makes an account, as {each.role}, waits to be used until {_moment(each.until_ms)}."
            for each in links
        ]
        people = [
            f"{account.name}  {account.role}  made {_moment(account.made_ms)}  "
            f"{f'signed in {_moment(account.signed_in_ms)}' if account.signed_in_ms else 'never signed in'}"
            for account in store.accounts(connection)
        ]
    if people:
        return people + waiting
    if any(each.role == Role.OWNER for each in links):
        return ["Nobody has an account yet. The service printed the owner's link when it started.", *waiting]
    return [
        "Nobody has an account yet. The service prints the owner's link when it starts with accounts.",
        "Invite others with: underlid user invite",
        *waiting,
    ]


def change_role(settings: Settings, name: str, role: Role, now_ms: int) -> list[str]:
    with _changing(settings, now_ms, f"{name} made {role}") as connection:
        account = accounts.change_role(connection, accounts.named(connection, name).id, role)
    return [f"{account.name} is {account.role} from now on."]


def sign_out(settings: Settings, name: str, now_ms: int) -> list[str]:
    with _changing(settings, now_ms, f"{name} signed out everywhere") as connection:
        account = accounts.named(connection, name)
        store.end_sessions(connection, account.id)
    return [f"{account.name} is signed out everywhere."]


def remove(settings: Settings, name: str, now_ms: int) -> list[str]:
    with _changing(settings, now_ms, f"account {name} removed") as connection:
        account = accounts.remove(connection, accounts.named(connection, name).id)
    return [f"{account.name} is let in no longer; what they wrote stays."]


def make_token(settings: Settings, name: str, role: Role, days: float, now_ms: int) -> list[str]:
    with _changing(settings, now_ms, f"token {name} made, as {role}") as connection:
        token, secret = accounts.make_token(connection, name, role, days, now_ms)
    return [
        f"Token {name}, {role}, good until {_moment(token.until_ms)}. Shown this once; a program sends it as",
        f"Authorization: Bearer {secret}",
    ]


def listed_tokens(settings: Settings, now_ms: int) -> list[str]:
    """A line for each token, without its secret, which nobody keeps."""
    with _ledger(settings) as ledger, ledger.reading() as connection:
        return [
            f"{token.name}  {token.role}  "
            f"{'good until' if now_ms < token.until_ms else 'ended'} {_moment(token.until_ms)}"
            for token in store.tokens(connection)
        ]


def remove_token(settings: Settings, name: str, now_ms: int) -> list[str]:
    with _changing(settings, now_ms, f"token {name} removed") as connection:
        known = {token.name: token.id for token in store.tokens(connection)}
        if name not in known:
            there = f"there are {', '.join(known)}" if known else "there is none"
            raise RefusedError(f"There is no token named {name[:80]}; {there}.")
        store.remove_token(connection, known[name])
    return [f"Token {name} is good no longer."]


@contextlib.contextmanager
def _changing(settings: Settings, now_ms: int, what: str) -> Iterator[Connection]:
    """A transaction whose change is noted in the audit log, as done in the terminal."""
    with _ledger(settings) as ledger, ledger.writing() as connection:
        yield connection
        audit.add(connection, audit.AuditEntry(0, now_ms, "terminal", "", what))


@contextlib.contextmanager
def _ledger(settings: Settings) -> Iterator[Ledger]:
    """As `farm_ledger`; a refusal is a ValueError, as the commands tell it."""
    with farm_ledger(settings) as ledger:
        try:
            yield ledger
        except RefusedError as error:
            raise ValueError(str(error)) from error


def reach(settings: Settings) -> list[str]:
    """From where a link works, where it does not from everywhere that the screens can be reached from."""
    host, _ = split_address(settings.http)
    if settings.behind_proxy:
        return ["From elsewhere, put the address by which the proxy is reached in place of the link's."]
    if is_loopback(host):
        return [
            "The link works on this computer alone. For phones and others, start the service with tls_cert, tls_key "
            "and http = 0.0.0.0:8480."
        ]
    if host in ("0.0.0.0", "::"):
        return ["From elsewhere, put this computer's name or address in the network in place of the link's."]
    return []


def _address(settings: Settings) -> str:
    scheme = "https" if settings.tls_cert else "http"
    host, port = split_address(settings.http)
    inside = {"0.0.0.0": "localhost", "::": "localhost"}.get(host, f"[{host}]" if ":" in host else host)
    return f"{scheme}://{inside}:{port}"


def _moment(time_ms: int) -> str:
    return f"{datetime.fromtimestamp(min(time_ms, 253_402_000_000_000) // 1000, UTC):%Y-%m-%d %H:%M} UTC"
