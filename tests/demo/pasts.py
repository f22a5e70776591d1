"""Past weeks that several tests look at, each computed once: whatever the date and time of day."""

from datetime import datetime
from functools import cache

import numpy as np

from underlid.demo.history import History, play_history
from underlid.demo.weather import HOUR_MS

STARTS = (
    "2026-01-15T03:10+00:00",
    "2026-04-20T11:45+00:00",
    "2026-07-01T14:00+00:00",
    "2026-10-31T22:30+00:00",
    "2028-02-29T07:05+00:00",
)
SUMMER = STARTS[2]


def start_ms(start: str) -> int:
    return round(datetime.fromisoformat(start).timestamp() * 1000)


@cache
def past(start: str, days: float = 21.0, seed: int = 1) -> History:
    """Shared, so it must not be moved on; `fresh` gives one that may be."""
    return fresh(start, days, seed)


def fresh(start: str, days: float = 21.0, seed: int = 1) -> History:
    return play_history(start_ms(start), days, seed)


def level(history: History, probe_id: str, channel: str, hours_ago: float = 0.0) -> float:
    """Median of the last hour's readings before a moment: noise and lost readings aside."""
    end = history.start_ms - round(hours_ago * HOUR_MS)
    recent = history.readings[probe_id, channel].since(end - HOUR_MS).until(end)
    return float(np.median(recent.value))


def per_hour(history: History, probe_id: str, channel: str, over_h: float) -> float:
    """Least-squares slope of the last hours."""
    series = history.readings[probe_id, channel].since(history.start_ms - round(over_h * HOUR_MS))
    return float(np.polyfit(series.hours(history.start_ms), series.value, 1)[0])
