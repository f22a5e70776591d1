"""When summaries and weekly reports are due: over changes of the clocks, after downtime, in several zones."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underlid.reports.due import due_day, due_week
from underlid.reports.week import week_named, week_of

VIENNA = ZoneInfo("Europe/Vienna")
SEVEN = 7 * 60
ZONES = (
    "Europe/Vienna",
    "America/New_York",
    "Asia/Kathmandu",
    "Pacific/Auckland",
    "America/Sao_Paulo",
    "Africa/Cairo",
)


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


@pytest.mark.parametrize(
    ("now", "minute", "day"),
    [
        ("2026-11-25T06:59:59+01:00", SEVEN, None),  # yesterday's is too long ago
        ("2026-11-25T07:00:00+01:00", SEVEN, date(2026, 11, 25)),
        ("2026-11-25T22:59:59+01:00", SEVEN, date(2026, 11, 25)),  # the service was down until then
        ("2026-11-25T23:00:00+01:00", SEVEN, None),
        (
            "2026-11-26T00:30:00+01:00",
            22 * 60,
            date(2026, 11, 25),
        ),  # an evening's hour is made up for at night
        # on 29 March 2026 the clocks jump from 2 to 3 in Vienna: half past two is taken as the jump
        ("2026-03-29T01:59:59+01:00", 150, None),
        ("2026-03-29T03:00:00+02:00", 150, date(2026, 3, 29)),
        # on 25 October 2026 they show half past two twice: the first counts
        ("2026-10-25T02:29:59+02:00", 150, None),
        ("2026-10-25T02:30:00+02:00", 150, date(2026, 10, 25)),
        ("2026-10-25T02:30:00+01:00", 150, date(2026, 10, 25)),  # the second: still the same day's
    ],
)
def test_the_summary_of_a_day_is_due_from_its_hour_on(now: str, minute: int, day: date | None) -> None:
    assert due_day(minute, ms(now), VIENNA) == day


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("minute", [0, 150, SEVEN, 23 * 60 + 30])
def test_asked_again_and_again_for_a_year_each_day_is_due_once_and_without_a_hole(
    zone: str, minute: int
) -> None:
    clocks = ZoneInfo(zone)
    start = ms("2026-01-01T12:00:00+00:00")
    seen = [due_day(minute, start + step * 1_500_000, clocks) for step in range(366 * 24 * 60 // 25)]
    days = [day for day in seen if day is not None]
    assert days == sorted(days)  # none comes back
    distinct = list(dict.fromkeys(days))
    assert all(after - before == timedelta(1) for before, after in pairwise(distinct))
    assert len(distinct) >= 364


@given(
    moments=st.lists(
        st.integers(ms("2026-01-01T00:00:00+00:00"), ms("2027-01-01T00:00:00+00:00")), max_size=60
    ),
    minute=st.integers(0, 24 * 60 - 1),
    zone=st.sampled_from(ZONES),
)
def test_whenever_the_service_runs_no_two_summaries_come_within_seven_hours(
    moments: list[int], minute: int, zone: str
) -> None:
    sent: dict[date, int] = {}
    for now_ms in sorted(moments):
        day = due_day(minute, now_ms, ZoneInfo(zone))
        if day is not None and day not in sent:
            sent[day] = now_ms
    times = list(sent.values())
    assert all(after - before >= 7 * 3_600_000 - 60_000 for before, after in pairwise(times))


@pytest.mark.parametrize(
    ("now", "week"),
    [
        ("2026-11-23T07:29:59+01:00", None),  # last Monday's is six days old
        ("2026-11-23T07:30:00+01:00", "2026-W47"),
        ("2026-11-29T07:29:59+01:00", "2026-W47"),  # down all week
        ("2026-11-29T07:30:00+01:00", None),
        ("2026-03-30T07:30:00+02:00", "2026-W13"),  # the week of 167 hours
        ("2026-10-26T07:30:00+01:00", "2026-W43"),  # of 169
    ],
)
def test_the_weekly_report_is_due_on_its_day_and_made_up_for_in_the_week(now: str, week: str | None) -> None:
    found = due_week((0, 450), ms(now), VIENNA, "Europe/Vienna")
    assert (found.name if found else None) == week


def test_a_person_ahead_of_the_farm_gets_the_last_week_that_was_over_there() -> None:
    auckland = ZoneInfo("Pacific/Auckland")
    now = ms("2026-11-23T07:30:00+13:00")  # Sunday evening at the farm
    found = due_week((0, 450), now, auckland, "Europe/Vienna")
    assert found is not None
    assert found.name == "2026-W46"
    assert found.to_ms <= now


@pytest.mark.parametrize(
    ("name", "hours"), [("2026-W13", 167), ("2026-W43", 169), ("2026-W47", 168), ("2020-W53", 168)]
)
def test_a_week_is_as_long_as_the_clocks_make_it(name: str, hours: int) -> None:
    week = week_named(name, "Europe/Vienna")
    assert (week.to_ms - week.from_ms) / 3_600_000 == hours
    assert week_of(week.from_ms, week.zone) == week_of(week.to_ms - 1, week.zone) == week
    assert week.after.before == week
    first = datetime.fromtimestamp(week.from_ms / 1000, VIENNA)
    assert (first.isocalendar().week, first.weekday(), first.hour) == (int(name[-2:]), 0, 0)


@pytest.mark.parametrize(
    "text", ["2026-47", "2026-W54", "2025-W53", "1999-W01", "W47", "2026-W4", "٢٠٢٦-W47"]
)
def test_what_is_no_week_is_told_what_would_be_right(text: str) -> None:
    with pytest.raises(ValueError, match="is not a week; write it as 2026-W47"):
        week_named(text, "Europe/Vienna")


def test_iso_weeks_are_those_of_the_standard_library() -> None:
    for ordinal in range(date(2015, 1, 1).toordinal(), date(2035, 1, 1).toordinal(), 3):
        day = date.fromordinal(ordinal)
        at = round(datetime(day.year, day.month, day.day, 12, tzinfo=UTC).timestamp() * 1000)
        year, number, _ = day.isocalendar()
        assert week_of(at, "Etc/UTC").name == f"{year}-W{number:02}"
