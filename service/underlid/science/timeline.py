"""What the times of readings tell: the clock, the rhythm, and one channel beside another."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
from numpy.typing import ArrayLike, NDArray

from underlid.science.domain import FloatArray

BoolArray = NDArray[np.bool_]
Series = tuple[ArrayLike, ArrayLike]
"""Times in hours and values of another channel, on its own times."""

_TOGETHER_H = 1e-6  # readings a few milliseconds apart came together
_STRAY_H = 8766.0  # a year: no window of readings is that long, so its clock was not set


def clock_faults(time_h: ArrayLike) -> BoolArray:
    """Which times cannot be right, given in order of arrival, shape (n,).

    Not finite; more than a year from the middle one (a clock that never was set starts in 1970 or 2000); or
    out of order: the fewest readings without which the rest never runs backwards.
    """
    time = np.asarray(time_h, dtype=np.float64)
    fault = ~np.isfinite(time)
    if not fault.all():
        stray = np.abs(np.where(fault, np.inf, time) - np.median(time[~fault])) > _STRAY_H
        fault = fault | stray
    rest = np.flatnonzero(~fault)
    if rest.size == 0 or np.all(np.diff(time[rest]) >= 0):
        return fault
    # Longest run of times that never falls (patience sorting); what it leaves out is at fault.
    tails: list[float] = []
    tail_at: list[int] = []
    before = np.full(time.size, -1)
    for i in rest.tolist():
        place = bisect_right(tails, float(time[i]))
        before[i] = tail_at[place - 1] if place else -1
        tails[place : place + 1] = [float(time[i])]
        tail_at[place : place + 1] = [i]
    fault[rest] = True
    i = tail_at[-1]
    while i >= 0:
        fault[i] = False
        i = int(before[i])
    return fault


def rhythm(time_h: FloatArray) -> tuple[float, float]:
    """The usual interval of ordered times and the longest that is still no gap, hours.

    The longest is 2.5 times the median (a single lost reading is none) or, for a probe that speaks
    irregularly, 3 robust standard deviations of the intervals' logarithm. (nan, inf) for fewer than three.
    """
    steps = np.diff(time_h)
    steps = steps[steps > _TOGETHER_H]
    if steps.size < 2:
        return float("nan"), float("inf")
    logs = np.log(steps)
    usual = float(np.median(logs))
    spread = 1.4826 * float(np.median(np.abs(logs - usual)))
    return float(np.exp(usual)), float(np.exp(usual + max(np.log(2.5), 3.0 * spread)))


def beside(series: Series, time_h: FloatArray) -> FloatArray:
    """Another channel at these times, straight between its readings; NaN outside it and in its gaps."""
    t, v = np.asarray(series[0], dtype=np.float64), np.asarray(series[1], dtype=np.float64)
    known = np.isfinite(t) & np.isfinite(v)
    order = np.argsort(t[known], kind="stable")
    t, v = t[known][order], v[known][order]
    if t.size < 2:
        return np.full(time_h.shape, np.nan)
    right = np.clip(np.searchsorted(t, time_h), 1, t.size - 1)
    in_gap = t[right] - t[right - 1] > max(rhythm(t)[1], 1.0)
    return np.where(in_gap, np.nan, np.interp(time_h, t, v, left=np.nan, right=np.nan))
