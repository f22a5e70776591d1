"""Accounts, sessions, tokens and links, on a real ledger."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from underlid.access import accounts
from underlid.access.accounts import DAY_MS, INVITATION_MS, SESSION_MS, UNUSED_MS, RefusedError
from underlid.access.roles import Role
from underlid.store import accounts as store
from underlid.store import audit
from underlid.store.ledger import Connection, Ledger

NOW_MS = 1_800_000_000_000


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[Connection]:
    ledger = Ledger(f"sqlite:///{tmp_path / 'catalogue.db'}")
    with ledger.writing() as opened:
        yield opened
    ledger.close()


def owner(connection: Connection, name: str = "Anna") -> store.Account:
    return accounts.make_account(connection, name, Role.OWNER, "hash", NOW_MS)


def test_each_role_may_what_the_ones_before_it_may() -> None:
    assert [[one.may(other) for other in Role] for one in Role] == [
        [True, False, False],
        [True, True, False],
        [True, True, True],
    ]


def test_a_link_makes_one_account_and_is_good_once(connection: Connection) -> None:
    assert not accounts.has_owner(connection)
    secret = accounts.invite(connection, Role.OWNER, NOW_MS)
    assert accounts.invited(connection, secret, NOW_MS) == accounts.Invited(Role.OWNER, None)
    account, session = accounts.redeem(connection, secret, "Anna", "hash", NOW_MS)
    assert (account.name, account.role) == ("Anna", "owner")
    found = accounts.who_has_session(connection, session, NOW_MS)
    assert found is not None
    assert (found[0].name, found[0].role) == ("Anna", Role.OWNER)
    with pytest.raises(RefusedError, match="used already"):
        accounts.redeem(connection, secret, "Bert", "hash", NOW_MS)


def test_a_link_is_good_for_a_day(connection: Connection) -> None:
    secret = accounts.invite(connection, Role.OWNER, NOW_MS)
    accounts.invited(connection, secret, NOW_MS + INVITATION_MS - 1)
    with pytest.raises(RefusedError, match="too old"):
        accounts.invited(connection, secret, NOW_MS + INVITATION_MS)


def test_a_link_for_an_account_sets_its_password_and_ends_its_sessions(connection: Connection) -> None:
    anna = owner(connection)
    session = accounts.open_session(connection, anna, NOW_MS)
    secret = accounts.invite(connection, Role.VIEWER, NOW_MS, "ANNA")
    assert accounts.invited(connection, secret, NOW_MS) == accounts.Invited(Role.OWNER, "Anna")
    again, _ = accounts.redeem(connection, secret, "", "other", NOW_MS)
    assert (again.id, again.hash, again.role) == (anna.id, "other", "owner")
    assert accounts.who_has_session(connection, session, NOW_MS) is None


def test_a_session_ends_by_age_and_by_not_being_used(connection: Connection) -> None:
    anna = owner(connection)
    session = accounts.open_session(connection, anna, NOW_MS)

    def holds(now_ms: int) -> bool:
        return accounts.who_has_session(connection, session, now_ms) is not None

    assert holds(NOW_MS + UNUSED_MS - 1)
    assert not holds(NOW_MS + UNUSED_MS)
    for day in range(0, SESSION_MS // DAY_MS, 20):
        at_ms = NOW_MS + day * DAY_MS
        found = accounts.who_has_session(connection, session, at_ms)
        assert found is not None
        assert found[0].session is not None
        store.seen(connection, found[0].session, at_ms)
    assert not holds(NOW_MS + SESSION_MS)


def test_the_clock_stepping_back_keeps_a_session(connection: Connection) -> None:
    session = accounts.open_session(connection, owner(connection), NOW_MS)
    assert accounts.who_has_session(connection, session, NOW_MS - 365 * DAY_MS) is not None


def test_signing_out_everywhere_ends_all_but_the_named_session(connection: Connection) -> None:
    anna = owner(connection)
    one, two = (accounts.open_session(connection, anna, NOW_MS) for _ in range(2))
    found = accounts.who_has_session(connection, two, NOW_MS)
    assert found is not None
    assert found[0].session is not None
    store.end_sessions(connection, anna.id, but=found[0].session)
    assert accounts.who_has_session(connection, one, NOW_MS) is None
    assert accounts.who_has_session(connection, two, NOW_MS) is not None


def test_the_last_owner_stays(connection: Connection) -> None:
    anna = owner(connection)
    for act in (
        lambda: accounts.change_role(connection, anna.id, Role.KEEPER),
        lambda: accounts.remove(connection, anna.id),
    ):
        with pytest.raises(RefusedError, match="only owner"):
            act()
    bert = owner(connection, "Bert")
    session = accounts.open_session(connection, anna, NOW_MS)
    accounts.invite(connection, Role.OWNER, NOW_MS, "Anna")
    assert accounts.change_role(connection, bert.id, Role.OWNER).role == "owner"
    accounts.remove(connection, anna.id)
    assert accounts.who_has_session(connection, session, NOW_MS) is None


def test_names_are_told_apart_by_more_than_case(connection: Connection) -> None:
    owner(connection)
    with pytest.raises(RefusedError, match="already"):
        owner(connection, "ANNA")
    for name in ("", " Anna", "a\nb", "x" * 41, "<b>"):
        with pytest.raises(RefusedError, match="name has"):
            owner(connection, name)


def test_a_token_is_good_for_its_days_and_kept_as_a_digest(connection: Connection) -> None:
    token, secret = accounts.make_token(connection, "shed display", Role.VIEWER, 2, NOW_MS)
    who = accounts.who_has_token(connection, secret, NOW_MS + 2 * DAY_MS - 1)
    assert who is not None
    assert (who.name, who.role, who.session) == ("token shed display", Role.VIEWER, None)
    assert accounts.who_has_token(connection, secret, NOW_MS + 2 * DAY_MS) is None
    assert accounts.who_has_token(connection, secret + "x", NOW_MS) is None
    with pytest.raises(RefusedError, match="already"):
        accounts.make_token(connection, "shed display", Role.OWNER, 2, NOW_MS)
    store.remove_token(connection, token.id)
    assert accounts.who_has_token(connection, secret, NOW_MS) is None


def test_no_secret_is_in_the_database(tmp_path: Path) -> None:
    ledger = Ledger(f"sqlite:///{tmp_path / 'catalogue.db'}")
    with ledger.writing() as connection:
        hashed = accounts.new_hash("grounds and trimmings", "Anna")
        anna = accounts.make_account(connection, "Anna", Role.OWNER, hashed, NOW_MS)
        secrets = [
            accounts.invite(connection, Role.KEEPER, NOW_MS),
            accounts.open_session(connection, anna, NOW_MS),
            accounts.make_token(connection, "display", Role.VIEWER, 2, NOW_MS)[1],
            "grounds and trimmings",
        ]
    ledger.close()
    kept = b"".join(file.read_bytes() for file in tmp_path.iterdir())
    assert b"Anna" in kept
    assert [secret for secret in secrets if secret.encode() in kept] == []


def test_the_audit_log_lets_go_of_what_is_older_than_a_year(connection: Connection) -> None:
    for day in (0, 100, 366 + 50):
        entry = audit.AuditEntry(0, NOW_MS + day * DAY_MS, "Anna", "192.0.2.7", f"day {day}")
        audit.add(connection, entry)
    assert [entry.what for entry in audit.entries(connection, 10)] == ["day 416", "day 100"]
