"""How long a battery lasts, by its own discharge so far."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import FloatArray
from underlid.science.trend import robust_trend

_LEAST_READINGS = 8
_LEAST_H = 48.0  # a day's warmth moves a voltage as far as days of discharge do
_WEEK_H, _DAYS_H = 7 * 24.0, 72.0
_NOW_H = 24.0


def hours_to_empty(time_h: ArrayLike, level: ArrayLike, empty: float, recharge: float) -> float | None:
    """Hours from the latest reading until a battery is at its empty level; None where it does not surely fall.

    time_h, level: shape (n,), hours and any unit, in order of time, finite. recharge: a rise from one reading
    to the next by so much is a charge or a swap, and only what came after the last one counts.

    The level of the last day divided by the fall of a straight line (Theil-Sen, 80 % sure to fall) through two
    days or more. A cell's voltage falls faster towards its end, so of the lines through everything and through
    the last week the one that ends sooner counts; that through the last three days where it ends within a week.
    """
    time, val = np.asarray(time_h, dtype=np.float64), np.asarray(level, dtype=np.float64)
    charged = np.flatnonzero(np.diff(val) >= recharge)
    start = int(charged[-1]) + 1 if charged.size else 0
    time, val = time[start:], val[start:]
    if not time.size:
        return None
    found = []
    for back_h, most_h in ((np.inf, np.inf), (_WEEK_H, np.inf), (_DAYS_H, _WEEK_H)):
        late = time >= time[-1] - back_h
        left_h = _left(time[late], val[late], empty)
        if left_h is not None and left_h <= most_h:
            found.append(left_h)
    return min(found, default=None)


def _left(time: FloatArray, val: FloatArray, empty: float) -> float | None:
    if time.size < _LEAST_READINGS or time[-1] - time[0] < _LEAST_H:
        return None
    trend = robust_trend(time, val)
    if trend.high >= 0.0:
        return None
    # A curve leaves the line towards its end: what it is off it over the last day counts.
    off = val - (trend.level + trend.slope * (time - time[-1]))
    now = trend.level + float(np.median(off[time >= time[-1] - _NOW_H]))
    return max((now - empty) / -trend.slope, 0.0)
