"""The ledger: transactions, migrations, the catalogue and what hangs on it."""

import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import text

from underlid.model import (
    Alarm,
    AlarmState,
    Bin,
    Farm,
    Finding,
    LogEntry,
    Message,
    Place,
    Position,
    Probe,
    Quantity,
    Reject,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.store import alarms, arrivals, catalogue, outbox, quarantine, tables
from underlid.store import log as keepers_log
from underlid.store.ledger import Ledger
from underlid.store.readings import StoreError

ALDER = Subject(SubjectKind.BIN, "alder")
SHED = Place("shed", "Potting shed", outdoors=False)


@pytest.fixture(params=["sqlite", "postgres"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "postgres":
        return str(request.getfixturevalue("postgres_url"))
    return f"sqlite:///{tmp_path / 'catalogue.db'}"


@pytest.fixture
def ledger(url: str) -> Iterator[Ledger]:
    opened = Ledger(url)
    yield opened
    opened.close()


def finding(**changes: object) -> Finding:
    plain = Finding(
        "top-drying",
        Verdict.HOLDS,
        1000,
        position=Position.TOP,
        value=61.0,
        limit=65.0,
        unit="%",
        headline="Alder: top is 61 %",
        amounts={"water_l": 0.8},
        evidence=((1, 1000, 61.0),),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_what_raises_in_a_transaction_leaves_nothing_behind(ledger: Ledger) -> None:
    def save_and_fail() -> None:
        with ledger.writing() as connection:
            catalogue.save_place(connection, SHED)
            raise KeyError

    with pytest.raises(KeyError):
        save_and_fail()
    with ledger.reading() as connection:
        assert catalogue.places(connection) == []


def test_migrations_and_tables_say_the_same(ledger: Ledger) -> None:
    with ledger.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, tables.metadata) == []


def test_a_second_start_finds_its_tables_and_a_later_program_is_refused(url: str) -> None:
    first = Ledger(url)
    with first.writing() as connection:
        catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
    second = Ledger(url)
    with second.reading() as connection:
        assert catalogue.farm(connection) == Farm("Walled garden", "Europe/Vienna")
    with second.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match="version 9999 is later than this program's"):
        Ledger(url)
    first.close()
    second.close()


def test_a_bin_of_a_place_that_is_not_there_is_refused(ledger: Ledger) -> None:
    with pytest.raises(StoreError, match=r"(?i)foreign key"), ledger.writing() as connection:
        catalogue.save_bin(connection, Bin("alder", "Alder", "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, 0))


def test_things_come_back_as_they_were_saved_and_saved_again(ledger: Ledger) -> None:
    alder = Bin("alder", "Alder", "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, 5, {"temp_high_c": 28.0})
    with ledger.writing() as connection:
        catalogue.save_place(connection, SHED)
        catalogue.save_bin(connection, alder)
        catalogue.save_bin(connection, replace(alder, worm_kg=0.9))
        assert catalogue.places(connection) == [SHED]
        assert catalogue.bins(connection) == [replace(alder, worm_kg=0.9)]


def test_a_channel_sits_in_one_position_at_a_time_and_its_past_is_kept(ledger: Ledger) -> None:
    with ledger.writing() as connection:
        catalogue.save_probe(connection, Probe("p1", "p1", 0))
        channel = catalogue.register_channel(connection, "p1", "moist", "%", Quantity.MOISTURE)
        assert catalogue.register_channel(connection, "p1", "moist", "%", Quantity.MOISTURE) == channel
        catalogue.place_channel(connection, channel.id, ALDER, Position.TOP, 100)
        birch = Subject(SubjectKind.BIN, "birch")
        catalogue.place_channel(connection, channel.id, birch, Position.CORE, 200)
        spans = [(p.subject.id, p.position, p.from_ms, p.to_ms) for p in catalogue.placements(connection)]
        assert spans == [("alder", "top", 100, 200), ("birch", "core", 200, None)]
        assert [p.subject for p in catalogue.placements(connection, now_only=True)] == [birch]


def test_log_pages_go_on_where_they_ended_even_within_one_moment(ledger: Ledger) -> None:
    with ledger.writing() as connection:
        for number in range(5):
            keepers_log.add(connection, LogEntry(0, 1000, ALDER, "wetted", amount_l=float(number)))
        first = keepers_log.entries(connection, 0, 2000, limit=2)
        rest = keepers_log.entries(connection, 0, 2000, before=(first[-1].at_ms, first[-1].id))
    assert [entry.amount_l for entry in first + rest] == [4.0, 3.0, 2.0, 1.0, 0.0]


def test_an_alarm_and_its_history_come_back_whole(ledger: Ledger) -> None:
    raised = Alarm(
        0, ALDER, "top-drying", AlarmState.UNACKNOWLEDGED, 1000, None, 3000, 3000, finding=finding()
    )
    with ledger.writing() as connection:
        raised = alarms.save(connection, raised)
        step = Transition(raised, 3000, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "raised")
        alarms.add_transition(connection, step)
        acknowledged = replace(raised, state=AlarmState.ACKNOWLEDGED, finding=finding(value=60.0))
        alarms.save(connection, acknowledged)
    with ledger.reading() as connection:
        assert alarms.alarm(connection, raised.id) == acknowledged
        assert alarms.alarms(connection, ALDER, live_only=True) == [acknowledged]
        [kept] = alarms.history(connection, acknowledged)
        assert kept.alarm.finding == finding()  # the readings of its time, not of now


def test_a_forecast_that_may_never_come_true_is_kept_and_read_as_one_without_an_end(ledger: Ledger) -> None:
    """JSON has no infinity, by RFC 8259, section 6, and PostgreSQL keeps to it."""
    may_never = finding(
        forecast=True, eta_h=3.0, eta_low_h=1.0, eta_high_h=math.inf, amounts={"water_l": math.nan}
    )
    with ledger.writing() as connection:
        alarm = alarms.save(connection, Alarm(0, ALDER, "top-drying", finding=may_never))
        step = Transition(alarm, 3000, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "raised")
        alarms.add_transition(connection, step)
        alarms.save_condition(connection, ALDER, 3000, {"positions": [{"high_h": -math.inf}]})
    with ledger.reading() as connection:
        kept = alarms.alarm(connection, alarm.id)
        assert kept is not None
        assert kept.finding == replace(may_never, eta_high_h=None, amounts={"water_l": None})
        assert alarms.history(connection, alarm)[0].alarm.finding == kept.finding
        condition = alarms.conditions(connection, SubjectKind.BIN)["alder"]
    assert condition == {"positions": [{"high_h": None}]}


def test_the_same_message_is_put_once_and_one_that_waits_holds_up_the_later(ledger: Ledger) -> None:
    def message(key: str, at_ms: int) -> Message:
        return Message(key, "mail", "title", "body", at_ms)

    with ledger.writing() as connection:
        outbox.put(connection, [message("a", 1000), message("a", 1000), message("b", 1001)])
        [first, second] = outbox.due(connection, 2000)["mail"]
        assert (first.key, second.key) == ("a", "b")
        outbox.failed(connection, first.id, "no route", due_ms=9000, at_ms=2000)
        assert outbox.due(connection, 2000) == {}  # b waits, so that steps are told in their order
        for _ in range(outbox.HOLDS_UP_UNTIL):
            outbox.failed(connection, first.id, "refused", due_ms=9000, at_ms=2500)
        assert [m.key for m in outbox.due(connection, 2000)["mail"]] == ["b"]
        outbox.delivered(connection, second.id, 2500)
        assert outbox.oldest_unsent_ms(connection) == 1000
        assert outbox.due(connection, 9999, to=["other"]) == {}
        assert list(outbox.due(connection, 9999, to=["mail"])) == ["mail"]


def test_the_quarantine_counts_repeats_and_is_bounded(ledger: Ledger) -> None:
    with ledger.writing() as connection:
        quarantine.put(connection, [Reject("t", b"\xff", "not UTF-8", 1)] * 3)
        [kept] = quarantine.rejects(connection, 10)
        assert (kept.times, kept.size, kept.payload) == (3, 1, b"\xff")
        quarantine.put(
            connection,
            [Reject("t", str(n).encode(), "no", n) for n in range(quarantine.KEPT_REJECTS + 10)],
        )
        assert quarantine.count(connection) == quarantine.KEPT_REJECTS
        big = Reject("t", b"x" * 300_000, "too large", 1)
        quarantine.put(connection, [big])
        [newest] = quarantine.rejects(connection, 1)
        assert (newest.size, len(newest.payload)) == (300_000, quarantine.KEPT_BYTES)


def test_the_first_arrival_of_a_message_is_remembered_and_the_oldest_give_way(ledger: Ledger) -> None:
    with ledger.writing() as connection:
        arrivals.put(connection, [arrivals.Arrival(b"a" * 32, 1000)])
        assert arrivals.first_ms(connection, b"a" * 32) == 1000
        assert arrivals.first_ms(connection, b"b" * 32) is None
        many = [arrivals.Arrival(n.to_bytes(32, "big"), n) for n in range(arrivals.KEPT)]
        arrivals.put(connection, many)
        assert arrivals.first_ms(connection, b"a" * 32) is None
        assert arrivals.first_ms(connection, many[-1].digest) == many[-1].received_ms


def test_writers_of_several_processes_come_one_after_another(url: str) -> None:
    ledgers = [Ledger(url) for _ in range(4)]  # as in as many processes: each has connections of its own

    def count_up(ledger: Ledger) -> None:
        for _ in range(20):
            with ledger.writing() as connection:
                farm = catalogue.farm(connection) or Farm("0", "UTC")
                catalogue.save_farm(connection, Farm(str(int(farm.name) + 1), "UTC"))

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(count_up, ledgers))
    with ledgers[0].reading() as connection:
        assert catalogue.farm(connection) == Farm("80", "UTC")
    for ledger in ledgers:
        ledger.close()


def test_what_reads_sees_one_moment_whatever_is_written_meanwhile(ledger: Ledger) -> None:
    with ledger.reading() as connection:
        assert catalogue.places(connection) == []
        with ledger.writing() as writer:
            catalogue.save_place(writer, SHED)
        assert catalogue.places(connection) == []


@pytest.mark.parametrize("name", ["te\0mp", "n" * 200])
def test_text_that_postgresql_can_not_hold_is_told_apart_from_a_server_that_fails(
    postgres_url: str, name: str
) -> None:
    # A message with such a name is quarantined; were it the store's failure, it would be sent again for ever.
    ledger = Ledger(postgres_url)
    with pytest.raises(ValueError, match="catalogue postgresql://127"), ledger.writing() as connection:
        catalogue.save_probe(connection, Probe("p1", name, 0))
    ledger.close()
