"""Somebody of each role at a running application, by a token or by a session."""

from collections.abc import Callable
from dataclasses import dataclass

import httpx
from tests.web.inside import NOW_MS, Inside

from underlid.access import accounts
from underlid.access.roles import Role

PASSWORD = "grounds and trimmings"


@dataclass
class Person:
    """An account with a session, and a browser's requests in its name."""

    inside: Inside
    name: str
    id: int
    cookie: str

    def ask(self, method: str, path: str, **options: object) -> httpx.Response:
        headers = {"Cookie": f"underlid={self.cookie}", "Origin": self.inside.url}
        return self.inside.ask(method, path, headers={**headers, **options.pop("headers", {})}, **options)  # type: ignore[dict-item]


def token(inside: Inside, role: Role, name: str | None = None, days: float = 1) -> dict[str, str]:
    """The header by which a program of a role is let in."""
    with inside.ledger.writing() as connection:
        _, secret = accounts.make_token(connection, name or f"a {role}", role, days, NOW_MS)
    return {"Authorization": f"Bearer {secret}"}


def person(inside: Inside, name: str, role: Role, hashed: Callable[[str, str], str] | None = None) -> Person:
    """An account; the password is PASSWORD where `hashed` is `accounts.new_hash`, else none will do."""
    with inside.ledger.writing() as connection:
        made = hashed(PASSWORD, name) if hashed else "no hash at all"
        account = accounts.make_account(connection, name, role, made, NOW_MS)
        return Person(inside, name, account.id, accounts.open_session(connection, account, NOW_MS))
