"""Quiet hours and the digest by the farm's clocks, over every jump of the clocks.

The jumps are those of the IANA time zone database: Vienna (02:00 to 03:00 and back), Lord Howe (half an hour), and
Apia, which left out 30 December 2011.
"""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underlid.notify.hours import moment_ms, next_daily_ms, quiet_until_ms

VIENNA = ZoneInfo("Europe/Vienna")
ZONES = [VIENNA, ZoneInfo("Australia/Lord_Howe"), ZoneInfo("Pacific/Apia"), ZoneInfo("UTC")]
NIGHT = (22 * 60, 6 * 60 + 30)
MINUTE_MS, HOUR_MS = 60_000, 3_600_000
START_MS, END_MS = 1_300_000_000_000, 1_800_000_000_000  # 2011 to 2027

zones = st.sampled_from(ZONES)
minutes = st.integers(0, 24 * 60 - 1)
spans = st.tuples(minutes, minutes).filter(lambda span: span[0] != span[1])
# Any time, and times around the jumps of 2026 and 2011.
JUMPS_MS = [1_774_746_000_000, 1_792_890_000_000, 1_775_313_000_000, 1_325_239_200_000]
times = st.integers(START_MS, END_MS) | st.builds(
    lambda jump, away: jump + away, st.sampled_from(JUMPS_MS), st.integers(-26 * HOUR_MS, 26 * HOUR_MS)
)


def at(text: str, zone: ZoneInfo = VIENNA, fold: int = 0) -> int:
    moment = datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold)
    return round(moment.timestamp() * 1000)


@pytest.mark.parametrize(
    ("now", "until"),
    [
        ("2026-11-25 21:59", None),
        ("2026-11-25 22:00", "2026-11-26 06:30"),
        ("2026-11-26 00:00", "2026-11-26 06:30"),
        ("2026-11-26 06:29", "2026-11-26 06:30"),
        ("2026-11-26 06:30", None),
        ("2026-11-26 12:00", None),
    ],
)
def test_a_night_goes_over_midnight(now: str, until: str | None) -> None:
    assert quiet_until_ms(NIGHT, at(now), VIENNA) == (at(until) if until else None)


def test_a_span_within_one_day_and_none_at_all() -> None:
    noon = (12 * 60, 14 * 60)
    assert quiet_until_ms(noon, at("2026-11-25 13:00"), VIENNA) == at("2026-11-25 14:00")
    assert quiet_until_ms(noon, at("2026-11-25 14:00"), VIENNA) is None
    assert quiet_until_ms(None, at("2026-11-25 03:00"), VIENNA) is None


def test_an_hour_that_is_left_out_ends_the_quiet_when_the_clocks_jump() -> None:
    """In Vienna 02:00 became 03:00 on 29 March 2026: nobody saw 02:30."""
    span = (22 * 60, 2 * 60 + 30)
    assert quiet_until_ms(span, at("2026-03-29 01:59"), VIENNA) == at("2026-03-29 03:00")
    assert quiet_until_ms(span, at("2026-03-29 03:00"), VIENNA) is None
    assert quiet_until_ms((2 * 60 + 10, 2 * 60 + 50), at("2026-03-29 03:00"), VIENNA) is None


def test_an_hour_that_comes_twice_ends_the_quiet_once() -> None:
    """In Vienna 03:00 became 02:00 on 25 October 2026: 02:30 was seen twice."""
    span = (22 * 60, 2 * 60 + 30)
    assert quiet_until_ms(span, at("2026-10-25 02:29"), VIENNA) == at("2026-10-25 02:30")
    for fold in (0, 1):
        assert quiet_until_ms(span, at("2026-10-25 02:30", fold=fold), VIENNA) is None
    assert quiet_until_ms(span, at("2026-10-25 02:10", fold=1), VIENNA) is None
    late = (2 * 60 + 30, 5 * 60)
    assert quiet_until_ms(late, at("2026-10-25 02:10", fold=1), VIENNA) == at("2026-10-25 05:00")


def test_a_day_that_is_left_out_has_no_night_of_its_own() -> None:
    apia = ZoneInfo("Pacific/Apia")
    assert moment_ms(date(2011, 12, 30), 12 * 60, apia) == at("2011-12-31 00:00", apia)


@given(times, spans, zones)
def test_quiet_ends_where_it_says_and_not_before(now_ms: int, span: tuple[int, int], zone: ZoneInfo) -> None:
    until_ms = quiet_until_ms(span, now_ms, zone)
    if until_ms is None:
        return
    assert until_ms > now_ms
    assert quiet_until_ms(span, until_ms - 1, zone) == until_ms
    assert quiet_until_ms(span, (now_ms + until_ms) // 2, zone) == until_ms
    # As long as on the clocks, but for their jumps (a day, in Apia).
    assert until_ms - now_ms <= ((span[1] - span[0]) % 1440) * MINUTE_MS + 24 * HOUR_MS


@given(times, spans, zones)
def test_on_days_without_a_jump_it_is_what_the_clocks_show(
    now_ms: int, span: tuple[int, int], zone: ZoneInfo
) -> None:
    around = [datetime.fromtimestamp(now_ms / 1000 + hours * 3600, zone) for hours in range(-48, 49)]
    if len({moment.utcoffset() for moment in around}) > 1:
        return
    wall = around[48]
    minute = wall.hour * 60 + wall.minute
    start, end = span
    shown = start <= minute < end if start < end else minute >= start or minute < end
    assert (quiet_until_ms(span, now_ms, zone) is not None) == shown


@given(times, minutes, zones)
def test_the_digest_comes_once_a_day(now_ms: int, minute: int, zone: ZoneInfo) -> None:
    due_ms = next_daily_ms(minute, now_ms, zone)
    assert due_ms > now_ms
    assert next_daily_ms(minute, due_ms - 1, zone) == due_ms
    following = next_daily_ms(minute, due_ms, zone)
    if zone.key != "Pacific/Apia":
        assert timedelta(hours=22) <= timedelta(milliseconds=following - due_ms) <= timedelta(hours=26)
        assert due_ms - now_ms <= 26 * HOUR_MS
