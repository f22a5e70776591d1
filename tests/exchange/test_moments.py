"""Times in tables, held against Python's datetime and zoneinfo, and against what the standards say of clocks."""

# ruff: noqa: DTZ001  # times on clocks, with no zone of their own, are what this is about
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underlid.exchange.moments import Order, moments
from underlid.exchange.zones import MISSING, TWICE, to_utc

NOW_MS = 4_000_000_000_000
# How a moment is written, by strftime (POSIX), and in which order that is.
WRITTEN: list[tuple[str, Order]] = [
    ("%Y-%m-%d %H:%M:%S", "ymd"),
    ("%Y-%m-%dT%H:%M", "ymd"),
    ("%Y/%m/%d %H:%M:%S", "ymd"),
    ("%Y-%m-%d", "ymd"),
    ("%d.%m.%Y %H:%M", "dmy"),
    ("%d/%m/%Y %H:%M:%S", "dmy"),
    ("%d.%m.%y %H:%M", "dmy"),
    ("%m/%d/%Y %I:%M %p", "mdy"),
    ("%m/%d/%Y %H:%M", "mdy"),
]
local = st.datetimes(datetime(2001, 1, 1), datetime(2060, 1, 1))


@pytest.mark.parametrize(("form", "order"), WRITTEN)
@settings(deadline=None)
@given(times=st.lists(local, min_size=1, max_size=30))
def test_what_strftime_writes_is_read_as_strptime_reads_it(
    form: str, order: Order, times: list[datetime]
) -> None:
    cells = [time.strftime(form) for time in times]
    found, wrong = moments(cells, order, "UTC", "refuse", NOW_MS)
    theirs = [datetime.strptime(cell, form).replace(tzinfo=UTC) for cell in cells]
    assert wrong == {}
    assert found.tolist() == [round(each.timestamp() * 1000) for each in theirs]


@settings(deadline=None)
@given(times=st.lists(local, min_size=1, max_size=30), unpadded=st.booleans())
def test_cells_that_look_different_are_read_one_by_one_to_the_same(
    times: list[datetime], unpadded: bool
) -> None:
    cells = [
        f"{t.day}.{t.month}.{t.year} {t.hour}:{t.minute:02}" if unpadded else t.isoformat() for t in times
    ]
    found, wrong = moments(cells, "dmy" if unpadded else "ymd", "UTC", "refuse", NOW_MS)
    cut = [t.replace(second=0, microsecond=0) if unpadded else t for t in times]
    assert wrong == {}
    assert found.tolist() == [
        int((t.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(milliseconds=1))
        for t in cut
    ]


@settings(deadline=None)
@given(
    times=st.lists(
        st.datetimes(datetime(2001, 1, 1), datetime(2060, 1, 1), timezones=st.timezones()),
        min_size=1,
        max_size=10,
    )
)
def test_an_offset_in_the_cell_is_honoured(times: list[datetime]) -> None:
    whole = [t.astimezone(ZoneInfo("Etc/GMT-5")).replace(microsecond=0) for t in times]
    found, wrong = moments([t.isoformat() for t in whole], "ymd", "Europe/Vienna", "refuse", NOW_MS)
    assert wrong == {}
    assert found.tolist() == [round(t.timestamp() * 1000) for t in whole]


@pytest.mark.parametrize(
    "zone", ["Europe/Vienna", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"]
)
@settings(deadline=None)
@given(times=st.lists(local.map(lambda t: t.replace(second=0, microsecond=0)), min_size=1, max_size=50))
def test_clock_times_become_moments_as_zoneinfo_has_them(zone: str, times: list[datetime]) -> None:
    # PEP 495: fold 0 and 1 are the earlier and the later of two; a time that is no moment does not come back.
    times += [datetime(2025, 10, 26, 2, 30), datetime(2025, 3, 30, 2, 30), datetime(2025, 4, 6, 1, 45)]
    info = ZoneInfo(zone)
    wall = np.array([round(t.replace(tzinfo=UTC).timestamp() * 1000) for t in times])
    for fold, twice in ((0, "earlier"), (1, "later")):
        found, trouble = to_utc(wall, zone, twice)  # type: ignore[arg-type]
        for time, moment, what in zip(times, found.tolist(), trouble.tolist(), strict=True):
            theirs = time.replace(tzinfo=info, fold=fold).astimezone(UTC)
            if theirs.astimezone(info).replace(tzinfo=None) != time:
                assert what == MISSING
            else:
                assert (moment, what) == (round(theirs.timestamp() * 1000), 0)
    _, trouble = to_utc(wall, zone, "refuse")
    for time, what in zip(times, trouble.tolist(), strict=True):
        offsets = {time.replace(tzinfo=info, fold=fold).utcoffset() for fold in (0, 1)}
        assert (what != 0) == (len(offsets) == 2)
        assert what in (0, MISSING, TWICE)


def test_hours_that_the_clocks_skip_or_pass_twice_are_told() -> None:
    # Summer time in the European Union begins on the last Sunday of March, ends on the last of October, at 01:00 UTC
    # (Directive 2000/84/EC).
    cells = ["30.03.2025 02:30", "26.10.2025 02:30", "26.10.2025 03:00"]
    found, wrong = moments(cells, "dmy", "Europe/Vienna", "refuse", NOW_MS)
    assert "went forward" in wrong[0]
    assert "came twice" in wrong[1]
    assert datetime.fromtimestamp(found[2] / 1000, UTC).hour == 2
    for twice, hour in (("earlier", 0), ("later", 1)):
        found, wrong = moments(cells[1:], "dmy", "Europe/Vienna", twice, NOW_MS)  # type: ignore[arg-type]
        assert wrong == {}
        assert datetime.fromtimestamp(found[0] / 1000, UTC).hour == hour


@pytest.mark.parametrize(
    ("cell", "order", "reason"),
    [
        ("2025-02-29 00:00", "ymd", "no time that there is"),
        ("2025-13-01", "ymd", "no time that there is"),
        ("2025-01-01 24:00", "ymd", "no time that there is"),
        ("2025-01-01 23:59:60", "ymd", "no time that there is"),
        ("13/31/2025", "mdy", "no time that there is"),
        ("01/01/2025 13:05 PM", "mdy", "before or after noon"),
        ("2025-01-01T00:00+19:00", "ymd", "no clock has"),
        ("soon", "ymd", "2026-03-05 07:30"),
        ("", "dmy", "05.03.2026 07:30"),
        ("45000.5", "unix", "seconds or milliseconds"),
        ("1999-12-31 00:00", "ymd", "never set"),
        ("2199-12-31 00:00", "ymd", "future"),
        ("٢٠٢٥-01-01 00:00", "ymd", "not a time"),
    ],
)
def test_what_is_no_time_is_refused_with_what_would_be_right(cell: str, order: Order, reason: str) -> None:
    good = {
        "ymd": "2025-01-01 00:00",
        "dmy": "01.01.2025 00:00",
        "mdy": "01/01/2025 00:00",
        "unix": "1735689600",
    }[order]
    found, wrong = moments([good, cell, good], order, "UTC", "refuse", NOW_MS)
    assert list(wrong) == [1]
    assert reason in wrong[1]
    assert found[0] == found[2] == 1_735_689_600_000


def test_seconds_and_milliseconds_since_1970_are_told_apart() -> None:
    found, wrong = moments(["1735689600", "1735689600123", "1735689600.5"], "unix", "UTC", "refuse", NOW_MS)
    assert wrong == {}
    assert found.tolist() == [1_735_689_600_000, 1_735_689_600_123, 1_735_689_600_500]
