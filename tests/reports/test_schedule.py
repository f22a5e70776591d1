"""Summaries and weekly reports through the outbox: one per day and person, restarts and downtime or not."""

import asyncio
import contextlib
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from sqlalchemy import select
from tests.reports.weeks import ALDER, HOUR_MS, Garden, dry_week, finding

from underlid.model import Alarm, AlarmState, Finding, Message, Position, Priority, SubjectKind
from underlid.reports import desk
from underlid.reports.schedule import Schedule
from underlid.reports.week import Week
from underlid.rules.condition import Condition, PositionState
from underlid.store import alarms, reports, tables
from underlid.store import log as keepers_log
from underlid.target import Target

DRY = finding(
    "top-drying", Priority.TODAY, "Alder: top is 62 % — too dry", "Sprinkle 0.8 L over the top and close the lid.",
    position=Position.TOP, value=62.0, limit=65.0, unit="%", caution="Damp it before stirring.",
)  # fmt: skip


class Clock:
    def __init__(self, now_ms: int) -> None:
        self.now_ms = now_ms

    def __call__(self) -> int:
        return self.now_ms


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[Garden]:
    made = dry_week(tmp_path)
    yield made
    made.close()


def person(name: str, **more: object) -> Target:
    return Target.model_validate({"name": name, "url": "json://127.0.0.1:9/", **more})


def outbox(garden: Garden) -> list[Message]:
    table = tables.outbox
    with garden.ledger.reading() as connection:
        rows = connection.execute(select(table).order_by(table.c.id)).mappings().all()
    return [
        Message(row["key"], row["target"], row["title"], row["body"], row["created_ms"], report=row["report"])
        for row in rows
    ]


def raise_alarm(garden: Garden, found: Finding, state: AlarmState = AlarmState.UNACKNOWLEDGED) -> None:
    with garden.ledger.writing() as connection:
        known = {each.rule: each.id for each in alarms.alarms(connection, ALDER)}
        alarm = Alarm(known.get(found.rule, 0), ALDER, found.rule, state, finding=found)
        alarms.save(connection, replace(alarm, changed_ms=garden.week.to_ms))


def be_well(garden: Garden, at_ms: int) -> None:
    """The condition of Alder, as the watch keeps it."""
    state = PositionState(Position.TOP, "moisture", 2, 74.0, "%", at_ms, -0.02, "steady", "ok", 65.0, 88.0)  # type: ignore[arg-type]
    with garden.ledger.writing() as connection:
        alarms.save_condition(connection, ALDER, at_ms, asdict(Condition(at_ms, "all well", (state,))))


def monday(garden: Garden, clock: str) -> int:
    """A time on the Monday after the week, in Vienna (CET)."""
    hours, minutes = clock.split(":")
    return garden.week.to_ms + (int(hours) * 60 + int(minutes)) * 60_000


def test_three_lines_say_what_needs_hands_what_is_coming_and_what_is_fine(garden: Garden) -> None:
    clock = Clock(monday(garden, "07:00"))
    be_well(garden, clock())
    raise_alarm(garden, DRY)
    Schedule(garden.ledger, garden.readings, [person("Keeper", daily="07:00")], clock).write_due()
    [message] = outbox(garden)
    assert message.title == "Walled garden: 1 needs hands today"
    assert message.body.splitlines() == [
        "Today: Alder, sprinkle 0.8 L over the top and close the lid",
        "Coming: nothing.",
        "Fine: all 2 probes.",
        "",
        "[daily/Keeper/2026-10-26]",
    ]
    assert message.report == "daily/Keeper/2026-10-26"


def test_lines_fit_a_phone_however_many_alarms_there_are(garden: Garden) -> None:
    with garden.ledger.writing() as connection:
        for number in range(30):
            long = replace(
                DRY,
                rule=f"rule-{number}",
                advice="Sprinkle a good deal of rain water over it and wait. Then more.",
            )
            alarms.save(connection, Alarm(0, ALDER, long.rule, AlarmState.UNACKNOWLEDGED, finding=long))
    clock = Clock(monday(garden, "07:00"))
    Schedule(garden.ledger, garden.readings, [person("Keeper", daily="07:00")], clock).write_due()
    lines = outbox(garden)[0].body.splitlines()
    assert all(len(line) <= 110 for line in lines[:3])
    assert lines[0] == (
        "Today: Alder, sprinkle a good deal of rain water…; Alder, sprinkle a good deal of rain water…; and 28 more"
    )


def test_one_a_day_and_person_never_two_whatever_the_restarts(garden: Garden) -> None:
    people = [
        person("Keeper", daily="07:00"),
        person("Neighbour", daily="07:00", time_zone="America/New_York"),
        person("Phone"),
    ]
    clock = Clock(monday(garden, "00:00"))
    be_well(garden, clock())
    for _ in range(3 * 24 * 2):  # three days, in steps of half an hour, each with a service started anew
        Schedule(garden.ledger, garden.readings, people, clock).write_due()
        clock.now_ms += 1_800_000
    told = [(message.target, message.key) for message in outbox(garden)]
    # the neighbour's seven o'clock of Sunday was within sixteen hours when it began
    assert sorted(told) == [
        ("Keeper", "daily/Keeper/2026-10-26"),
        ("Keeper", "daily/Keeper/2026-10-27"),
        ("Keeper", "daily/Keeper/2026-10-28"),
        ("Neighbour", "daily/Neighbour/2026-10-25"),
        ("Neighbour", "daily/Neighbour/2026-10-26"),
        ("Neighbour", "daily/Neighbour/2026-10-27"),
        ("Neighbour", "daily/Neighbour/2026-10-28"),
    ]
    created = {message.key: message.created_ms for message in outbox(garden)}
    assert created["daily/Keeper/2026-10-26"] == monday(garden, "07:00")
    # New York leaves summer time a week later: its seven o'clock is noon in Vienna
    assert created["daily/Neighbour/2026-10-26"] == monday(garden, "12:00")


def test_what_was_missed_while_the_service_was_down_is_made_up_for_once_by_what_holds_now(
    garden: Garden,
) -> None:
    clock = Clock(monday(garden, "06:00"))
    schedule = Schedule(garden.ledger, garden.readings, [person("Keeper", daily="07:00")], clock)
    assert schedule.write_due() == 0
    clock.now_ms = monday(garden, "00:00") + 2 * 24 * HOUR_MS + 15 * HOUR_MS  # back on Wednesday at three
    raise_alarm(garden, DRY)
    assert schedule.write_due() == 1
    assert schedule.write_due() == 0
    [message] = outbox(garden)
    assert message.key == "daily/Keeper/2026-10-28"
    assert message.title.endswith("1 needs hands today")


def test_a_day_with_nothing_to_say_stays_silent_if_so_chosen_also_later_that_day(garden: Garden) -> None:
    people = [person("Keeper", daily="07:00", daily_if_fine=False), person("Other", daily="07:00")]
    clock = Clock(monday(garden, "07:00"))
    be_well(garden, clock())
    schedule = Schedule(garden.ledger, garden.readings, people, clock)
    schedule.write_due()
    assert [message.target for message in outbox(garden)] == ["Other"]
    assert outbox(garden)[0].title == "Walled garden: nothing to do today"
    raise_alarm(garden, DRY)
    clock.now_ms += 3 * HOUR_MS
    schedule.write_due()
    assert [message.target for message in outbox(garden)] == ["Other"]


def test_what_is_shelved_is_left_out_and_what_is_answered_is_told_as_such(garden: Garden) -> None:
    raise_alarm(garden, DRY, AlarmState.SHELVED)
    raise_alarm(garden, replace(DRY, rule="too-wet", headline="Alder: core is wet"), AlarmState.ACKNOWLEDGED)
    clock = Clock(monday(garden, "07:00"))
    Schedule(garden.ledger, garden.readings, [person("Keeper", daily="07:00")], clock).write_due()
    with garden.ledger.reading() as connection:
        kept = reports.kept(connection, "daily", "Keeper/2026-10-26")
    assert kept is not None
    assert [(item["headline"], item["answered"]) for item in kept.body["hands"]] == [
        ("Alder: core is wet", True)
    ]


def test_the_weekly_report_is_kept_and_told_once(garden: Garden) -> None:
    people = [person("Keeper", weekly="Mon 07:30"), person("Other", weekly="Tue 18:00")]
    clock = Clock(monday(garden, "00:00"))
    kept: list[str] = []
    for _ in range(3 * 24):
        Schedule(garden.ledger, garden.readings, people, clock, kept=kept.append).write_due()
        clock.now_ms += HOUR_MS
    # at the start last Tuesday's is five days old, and made up for
    assert kept == ["2026-W42", "2026-W43"]
    told = outbox(garden)[1:]
    assert [(message.target, message.key) for message in told] == [
        ("Keeper", "weekly/2026-W43"),
        ("Other", "weekly/2026-W43"),
    ]
    assert told[0].title == "Walled garden: week 2026-W43"
    assert "Next week:" in told[0].body
    assert told[0].body.splitlines()[-1] == "[weekly/2026-W43]"


def test_a_week_without_readings_is_not_reported(garden: Garden) -> None:
    clock = Clock(garden.week.after.to_ms + 8 * HOUR_MS)
    schedule = Schedule(garden.ledger, garden.readings, [person("Keeper", weekly="Mon 07:30")], clock)
    assert schedule.write_due() == 0
    assert outbox(garden) == []


def test_a_kept_week_made_again_tells_what_was_changed_in_the_log_later(garden: Garden) -> None:
    end = garden.week.to_ms
    first = desk.keep_weekly(garden.ledger, garden.readings, garden.week.name, end + HOUR_MS)
    assert first.log_changed_later == []
    garden.did(100.0, ALDER, "fed", kg=0.4, what="lettuce")
    with garden.ledger.writing() as connection:
        entries = keepers_log.entries(connection, garden.from_ms, end)
        meal = next(e for e in entries if e.amount_kg == 0.8)
        keepers_log.correct(connection, replace(meal, amount_kg=0.9), end + 2 * HOUR_MS)
        water = next(e for e in entries if e.kind == "wetted")
        keepers_log.set_deleted(connection, water.id, end + 2 * HOUR_MS)
    assert desk.weekly(garden.ledger, garden.readings, garden.week.name, end + 3 * HOUR_MS) == first
    anew = desk.weekly(garden.ledger, garden.readings, garden.week.name, end + 3 * HOUR_MS, anew=True)
    changed = {(line.kind, line.later) for line in anew.log_changed_later}
    assert changed == {("fed", "entered"), ("fed", "corrected"), ("wetted", "deleted")}
    assert anew.totals.fed_kg == pytest.approx(1.3)
    assert [p.this_week for p in anew.bins[0].positions if p.quantity != "moisture"] == [
        p.this_week for p in first.bins[0].positions if p.quantity != "moisture"
    ]


def test_limits_and_names_changed_later_leave_a_kept_week_as_it_was(garden: Garden) -> None:
    end = garden.week.to_ms
    first = desk.keep_weekly(garden.ledger, garden.readings, garden.week.name, end + HOUR_MS)
    with garden.ledger.writing() as connection:
        from underlid.store import catalogue

        [alder] = catalogue.bins(connection)
        catalogue.save_bin(connection, replace(alder, name="Old Alder", limits={"moist_low_pct_wb": 72.0}))
    assert (
        desk.weekly(garden.ledger, garden.readings, garden.week.name, end + 2 * HOUR_MS, anew=True) == first
    )
    assert desk.keep_weekly(garden.ledger, garden.readings, garden.week.name, end + 2 * HOUR_MS) == first


def test_a_week_is_judged_by_the_limits_of_its_season(garden: Garden) -> None:
    from underlid.store import catalogue

    with garden.ledger.writing() as connection:
        [alder] = catalogue.bins(connection)
        seasons = {"moist_low_pct_wb@10-10": 72.0, "moist_low_pct_wb@11-3": 60.0}
        catalogue.save_bin(connection, replace(alder, limits=seasons))
    report = desk.weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms)
    assert {p.low for p in report.bins[0].positions if p.quantity == "moisture"} == {72.0}


def test_a_week_that_is_not_over_is_told_so_far_and_not_kept(garden: Garden) -> None:
    now = garden.from_ms + 60 * HOUR_MS
    so_far = desk.weekly(garden.ledger, garden.readings, garden.week.name, now)
    assert so_far.whole is False
    assert so_far.end == now
    assert so_far.bins[0].positions[0].this_week is not None
    with pytest.raises(desk.NoReportError, match="not over yet"):
        desk.keep_weekly(garden.ledger, garden.readings, garden.week.name, now)
    with pytest.raises(desk.NoReportError, match="has not begun"):
        desk.weekly(garden.ledger, garden.readings, garden.week.after.name, now)


def test_the_weeks_with_readings_are_listed_newest_first(garden: Garden) -> None:
    desk.keep_weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms + HOUR_MS)
    found = desk.weeks(garden.ledger, garden.readings, garden.week.to_ms + 2 * HOUR_MS)
    week: Week = garden.week
    assert [each.week for each in found][:3] == [week.after, week, week.before]
    assert [each.made_ms for each in found][:3] == [None, week.to_ms + HOUR_MS, None]


def test_a_report_on_one_bin_holds_what_concerns_it_and_its_place(garden: Garden) -> None:
    report = desk.weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms)
    one = report.only(SubjectKind.BIN, "alder")
    assert one.about == "bin/alder"
    assert [thing.id for thing in one.things] == ["alder", "shed"]
    assert one.alarms == report.alarms
    with pytest.raises(KeyError):
        report.only(SubjectKind.BIN, "oak")


def test_a_report_that_can_not_be_made_does_not_end_the_service(garden: Garden) -> None:
    def broken_clock() -> int:
        raise RuntimeError("the clock fell off the wall")

    async def a_moment() -> Schedule:
        schedule = Schedule(garden.ledger, garden.readings, [person("Keeper")], broken_clock)
        running = asyncio.create_task(schedule.run())
        while schedule.state.startswith("waiting"):
            await asyncio.sleep(0.01)
        assert not running.done()
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
        return schedule

    assert "the clock fell off the wall" in asyncio.run(a_moment()).state
