"""A level against a limit: does it hold, since when, with a deadband once its alarm is up."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underlid.rules.signals import Signal


@dataclass(frozen=True, slots=True)
class Level:
    holds: bool
    since_ms: int  # the reading from which this has been so without a break


def below(signal: Signal, limit: float, deadband: float, active: bool) -> Level:
    """Is the latest reading under the limit? With the alarm up: until one reaches limit + deadband."""
    value = signal.series.value
    return _level(signal, value < limit, value >= limit + deadband, active)


def above(signal: Signal, limit: float, deadband: float, active: bool) -> Level:
    """Is the latest reading over the limit? With the alarm up: until one is down at limit - deadband."""
    value = signal.series.value
    return _level(signal, value > limit, value <= limit - deadband, active)


def _level(signal: Signal, over: NDArray[np.bool_], back: NDArray[np.bool_], active: bool) -> Level:
    """`over`: the limit is crossed; `back`: the deadband is left as well. Of the two the last one counts.

    A silence longer than the signal's gap breaks a run: what was before it is not known to have lasted.
    """
    time = signal.series.time_ms
    if not active:
        back = ~over
    holds = _last(over) > _last(back)
    mine, other = (over, back) if holds else (back, over)
    breaks = np.flatnonzero(np.diff(time) > signal.gap_ms) + 1
    first = max(_last(other) + 1, int(breaks[-1]) if len(breaks) else 0)
    hits = np.flatnonzero(mine[first:])
    start = first + int(hits[0]) if len(hits) else first
    return Level(holds, int(time[min(start, len(time) - 1)]))


def _last(mask: NDArray[np.bool_]) -> int:
    """Index of the last true one; -1 when there is none."""
    hits = np.flatnonzero(mask)
    return int(hits[-1]) if len(hits) else -1
