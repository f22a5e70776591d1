"""Local clock times to moments, with the hours that a change of the clocks leaves out or brings twice. Pure."""

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Twice = Literal["refuse", "earlier", "later"]

MISSING, TWICE = 1, 2  # what may be wrong with a local time; 0: nothing
_FIRST_YEAR, _LAST_YEAR = 1999, 2201


def to_utc(wall_ms: NDArray[np.int64], zone: str, twice: Twice) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Times on a clock of a zone, as milliseconds, to UTC; and for each 0, MISSING or TWICE.

    A time that the clocks passed twice is the earlier or the later moment as `twice` says; with 'refuse' it is
    marked TWICE. One that they skipped is marked MISSING. Times outside 2000..2200 may be off by an hour.
    """
    starts, offsets = _periods(zone)
    ends = np.append(starts[1:], np.iinfo(np.int64).max // 2)
    # The period n of one offset shows on the clock as starts[n] + offsets[n] up to ends[n] + offsets[n].
    earliest = np.searchsorted(ends + offsets, wall_ms, side="right")
    latest = np.searchsorted(starts + offsets, wall_ms, side="right") - 1
    trouble = np.zeros(len(wall_ms), dtype=np.int8)
    trouble[earliest > latest] = MISSING
    if twice == "refuse":
        trouble[earliest < latest] = TWICE
    chosen = np.clip(latest if twice == "later" else earliest, 0, len(offsets) - 1)
    return wall_ms - offsets[chosen], trouble


@lru_cache(8)
def _periods(zone: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """From when on which offset from UTC holds, both in milliseconds, in time order."""
    info = ZoneInfo(zone)
    day = datetime(_FIRST_YEAR, 1, 1, tzinfo=UTC)
    last = _offset(info, day)
    starts, offsets = [np.iinfo(np.int64).min // 2], [last]
    while day.year < _LAST_YEAR:
        following = day + timedelta(days=1)
        offset = _offset(info, following)
        if offset != last:
            change = _change(info, day, following, last)
            starts.append(round(change.timestamp() * 1000))
            offsets.append(offset)
            last = offset
        day = following
    return np.array(starts), np.array(offsets)


def _change(info: ZoneInfo, low: datetime, high: datetime, before: int) -> datetime:
    """The second within a day at which the offset changes."""
    while high - low > timedelta(seconds=1):
        middle = low + timedelta(seconds=(high - low).total_seconds() // 2)
        low, high = (middle, high) if _offset(info, middle) == before else (low, middle)
    return high


def _offset(info: ZoneInfo, moment: datetime) -> int:
    offset = moment.astimezone(info).utcoffset()
    assert offset is not None
    return round(offset.total_seconds() * 1000)
