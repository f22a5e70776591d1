"""Hours of drying as the air counts them: the vapour pressure deficit, relative to its mean over a stretch."""

from __future__ import annotations

import numpy as np

from underlid.science.domain import FloatArray
from underlid.science.drying_process import AHEAD_H, Clock, integrated

_AIR_SPREAD, _AIR_MEMORY_H = 0.7, 36.0  # how much the deficit to come may differ from that measured
_SHARES_HOLD_H = 72.0


def vpd_clock(ago: FloatArray, vpd: FloatArray, t: FloatArray) -> Clock:
    """Hours of drying at the mean deficit of the stretch."""
    known = np.isfinite(vpd)
    when, deficit = ago[known], vpd[known]
    run = np.concatenate([[0.0], np.cumsum(np.diff(when) * (deficit[1:] + deficit[:-1]) / 2)])
    grid = np.concatenate([t, AHEAD_H, [0.0]])
    begin, end = max(float(when[0]), float(t[0])), float(when[-1])
    mean = _mean_between(when, run, deficit, begin, min(end, 0.0))
    if mean <= 1e-6:
        return Clock(t, AHEAD_H, np.zeros_like(AHEAD_H))
    # Beyond the known air the mean of its last day fades into that of the stretch, as weather does; the hours of the
    # day keep their shares.
    lately = (
        _mean_between(when, run, deficit, max(end - 24.0, begin), end) / mean if end - begin >= 12.0 else 1.0
    )
    later = np.maximum(grid - end, 0.0)
    beyond = later + (lately - 1.0) * _AIR_MEMORY_H * (1.0 - np.exp(-later / _AIR_MEMORY_H))
    days = min(int((end - begin) / 24.0), 3)
    if days:
        within = np.where(later <= _SHARES_HOLD_H, later % 24.0, 0.0)
        starts = end - 24.0 * np.arange(1, days + 1)[:, None]
        dried = np.mean(np.interp(starts + within, when, run) - np.interp(starts, when, run), axis=0)
        beyond += dried / mean - within * _mean_between(when, run, deficit, float(starts[-1, 0]), end) / mean
    clock = np.interp(grid, when, run) / mean + np.minimum(grid - when[0], 0.0) + beyond
    clock -= clock[-1]
    spread2 = _air_spread2(when, run, begin, end, mean)
    unknown = spread2 * integrated(np.maximum(AHEAD_H - max(end, 0.0), 0.0))
    return Clock(clock[: len(t)], clock[len(t) : -1], unknown)


def _air_spread2(when: FloatArray, run: FloatArray, begin: float, end: float, mean: float) -> float:
    """Day-to-day spread of the deficit as a share of its mean, squared: the prior and what was seen."""
    edges = np.arange(end, begin - 1e-9, -24.0)
    daily = -np.diff(np.interp(edges, when, run)) / 24.0 / mean
    seen = float(np.sum((daily - daily.mean()) ** 2)) if len(daily) else 0.0
    return (2.0 * _AIR_SPREAD**2 + seen) / (2.0 + max(len(daily) - 1, 0))


def _mean_between(when: FloatArray, run: FloatArray, value: FloatArray, begin: float, end: float) -> float:
    """Mean over a span of time from the running integral; the plain mean when the span is empty."""
    if end <= begin:
        return float(value.mean())
    return float(np.interp(end, when, run) - np.interp(begin, when, run)) / (end - begin)
