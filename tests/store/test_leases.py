"""Leases: every piece of work held by one worker at a time, shared out fairly, taken over from whoever is gone."""

from collections.abc import Callable, Iterator

import pytest
from sqlalchemy import text

from conftest import wait_for
from underlid.store.leases import LAST_MS, Leases
from underlid.store.ledger import Ledger

PIECES = 7
Join = Callable[[], Leases]


@pytest.fixture
def ledger(postgres_url: str) -> Iterator[Ledger]:
    opened = Ledger(postgres_url)
    yield opened
    opened.close()


@pytest.fixture
def join(ledger: Ledger) -> Join:
    return lambda: Leases(ledger, "rules", PIECES)


def pass_ms(ledger: Ledger, milliseconds: int) -> None:
    """As though so much time had passed: everything ends so much sooner."""
    with ledger.writing() as connection:
        for table in ("lease", "worker"):
            connection.execute(
                text(f"UPDATE {table} SET until_ms = until_ms - {milliseconds} WHERE until_ms > 0")
            )


def settle(*workers: Leases) -> list[set[int]]:
    """Beat and give back, until nobody has more than is fair; gives what each holds."""
    for _ in range(4):
        held = []
        for worker in workers:
            share = worker.beat()
            if share.surplus:
                worker.give_back(share.surplus)
            held.append(set(share.held - share.surplus))
    return held


def test_one_worker_holds_all_and_each_that_joins_gets_its_share(join: Join) -> None:
    first, second, third = join(), join(), join()
    assert settle(first) == [set(range(PIECES))]
    for workers in ((first, second), (first, second, third)):
        held = settle(*workers)
        assert sorted(piece for each in held for piece in each) == list(range(PIECES))
        assert max(map(len, held)) - min(map(len, held)) <= 1


def test_nothing_changes_hands_while_everybody_is_there(join: Join, ledger: Ledger) -> None:
    workers = [join(), join()]
    before = settle(*workers)
    for _ in range(5):
        pass_ms(ledger, LAST_MS - 1000)
        assert settle(*workers) == before


def test_what_a_dead_worker_held_goes_to_the_others_once_its_leases_have_run_out(
    join: Join, ledger: Ledger
) -> None:
    living, dead = join(), join()
    [kept, lost] = settle(living, dead)
    pass_ms(ledger, LAST_MS - 1000)
    assert living.beat().held == kept
    pass_ms(ledger, 1001)
    living.beat()
    assert living.beat().held == kept | lost


def test_a_worker_that_leaves_makes_nobody_wait(join: Join) -> None:
    first, second = join(), join()
    settle(first, second)
    second.leave()
    assert settle(first) == [set(range(PIECES))]


def test_a_worker_that_slept_finds_out_where_it_would_write(join: Join, ledger: Ledger) -> None:
    slow, other = join(), join()
    slow.beat()
    with ledger.writing() as connection:
        assert slow.held(connection) == set(range(PIECES))
    pass_ms(ledger, LAST_MS + 1)
    other.beat()
    with ledger.writing() as connection:
        assert slow.held(connection) == frozenset()
        assert other.held(connection) == set(range(PIECES))


def test_nobody_claims_what_is_being_written_under_however_long_that_takes(
    join: Join, ledger: Ledger
) -> None:
    slow, other = join(), join()
    slow.beat()
    with ledger.beside() as connection:
        assert slow.held(connection) == set(range(PIECES))
        # The leases run out while the transaction is open; it holds their rows, and lets them be changed by none.
        wait_for(lambda: not slow.beat().held, "the end of the leases", LAST_MS / 1000 + 5)
        assert other.beat().held == frozenset()
    assert other.beat().held
