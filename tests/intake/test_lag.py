"""A probe that is always late is noticed; a backlog, a way that takes its time, and a right clock are not."""

import json
from collections.abc import Iterable
from pathlib import Path

import pytest

from underlid.clock import wall_clock
from underlid.intake.connection import Delivery
from underlid.intake.intake import Intake
from underlid.intake.lag import follow
from underlid.store import catalogue, quarantine
from underlid.store.ledger import Ledger
from underlid.store.sqlite_readings import SqliteReadings

NOW_MS = 1_764_000_000_000
MINUTE_MS = 60_000


def told(messages: Iterable[tuple[int, int]]) -> list[str]:
    """What is told over messages, each given as its arrival and its newest reading's time."""
    lag, words = None, []
    for received_ms, newest_ms in messages:
        lag, said = follow(lag, received_ms, newest_ms)
        words += [said] if said else []
    return words


def test_a_clock_that_is_two_hours_behind_is_told_once() -> None:
    # Every ten minutes, some seconds on the way.
    every = [
        (NOW_MS + n * 10 * MINUTE_MS + n % 3 * 4000, NOW_MS + (n * 10 - 120) * MINUTE_MS) for n in range(40)
    ]
    [words] = told(every)
    assert "2 h 0 min after their times" in words
    assert "UTC" in words


@pytest.mark.parametrize(
    "messages",
    [
        [
            (NOW_MS + n * 10 * MINUTE_MS, NOW_MS + n * 10 * MINUTE_MS - 4000) for n in range(40)
        ],  # a right clock
        [
            (NOW_MS + n * 10 * MINUTE_MS, NOW_MS + (n * 10 - 9) * MINUTE_MS) for n in range(40)
        ],  # nine minutes' way
        [(NOW_MS + n * 2000, NOW_MS + (n * 10 - 400) * MINUTE_MS) for n in range(40)],  # a backlog in one go
        [
            (NOW_MS + n * 10 * MINUTE_MS, NOW_MS + (n * 20 - 700) * MINUTE_MS) for n in range(40)
        ],  # and little by little
        [
            (NOW_MS + n * 10 * MINUTE_MS, NOW_MS + (n * 10 - n % 2 * 60) * MINUTE_MS) for n in range(40)
        ],  # now and then
    ],
)
def test_what_is_not_always_late_is_not_told(messages: list[tuple[int, int]]) -> None:
    assert told(messages) == []


def test_the_readings_of_a_late_probe_are_kept_at_their_times_and_the_keeper_is_told(tmp_path: Path) -> None:
    ledger, readings = (
        Ledger(f"sqlite:///{tmp_path / 'catalogue.db'}"),
        SqliteReadings(tmp_path / "readings.db"),
    )
    intake = Intake(ledger, readings, wall_clock, lambda _: None)
    times_s = [NOW_MS // 1000 + n * 600 for n in range(12)]
    batch = [
        Delivery(
            "underlid/probe/alder-1",
            json.dumps({"temp": 20, "t": time_s}).encode(),
            qos=1,
            mid=n + 1,
            repeated=False,
            retained=False,
            received_ms=(time_s + 5 * 3600) * 1000,
            generation=1,
        )
        for n, time_s in enumerate(times_s)
    ]
    intake.commit(batch)
    intake.commit([message._replace(repeated=True) for message in batch])  # comes again: changes nothing
    with ledger.reading() as connection:
        [channel] = catalogue.channels(connection)
        [reject] = quarantine.rejects(connection, 10)
    assert [t // 1000 for t in readings.window(channel.id, 0, 2**42).time_ms.tolist()] == times_s
    assert reject.reason.startswith(
        "used as it is, but the last 6 messages all came 5 h 0 min after their times"
    )
    assert reject.times == 1
    readings.close()
    ledger.close()
