"""What a tub's own probe tells: the plateau at the freezing point, and the walk through the states."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from underlid.science.series import Floats
from underlid.science.tubs import HARD_FROZEN_C, stretches_below

State = Literal["unfrozen", "freezing", "frozen through", "hard-frozen", "thawing", "thawed", "unknown"]

BAND_C = 0.4
"""Half width of the plateau: two standard errors of a cheap digital probe."""
CONFIRM_H = 1.0
_HOLE_H = 2.0
_SLACK_C = 0.2


def smooth(value: Floats, half: int = 2) -> Floats:
    """Running median of 2 half + 1 points: drops single spikes, keeps steps."""
    if value.size < 2 * half + 1:
        return value
    padded = np.pad(value, half, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1))


def find_plateau(time_h: Floats, temp_c: Floats, freezing_c: float, least_h: float = 3.0) -> float:
    """Temperature near the freezing point at which a series dwells (C); NaN when it does not.

    Searched within 1 C of ``freezing_c``: the most time in a band of 0.5 C, at least ``least_h`` hours
    and twice as much as in the band above; a reading stands for at most two hours.
    """
    hold = np.minimum(np.diff(time_h, append=time_h[-1]), _HOLE_H)
    best, best_h = math.nan, 0.0
    for centre in np.arange(freezing_c - 1.0, freezing_c + 1.01, 0.1):
        inside = float(hold[np.abs(temp_c - centre) <= 0.25].sum())
        over = float(hold[np.abs(temp_c - centre - 0.6) <= 0.25].sum())
        if inside >= max(least_h, 2.0 * over) and inside > best_h:
            best, best_h = float(centre), inside
    return best


def _wanted(state: State, c: float, point_c: float, through_c: float) -> State:
    """State that a temperature calls for, given the state it comes from; slack keeps it from flapping."""
    frozen = state in ("frozen through", "hard-frozen")
    if c <= HARD_FROZEN_C + (_SLACK_C if state == "hard-frozen" else 0.0):
        return "hard-frozen"
    if c <= through_c + (_SLACK_C if frozen else -_SLACK_C if state == "thawing" else 0.0):
        return "frozen through"
    if c > point_c + BAND_C:
        return "unfrozen" if state == "unfrozen" else "thawed"
    return "thawing" if frozen or state == "thawing" else "freezing"


def walk(time: Floats, temp: Floats, point_c: float, through_c: float) -> tuple[State, float]:
    """Walk the states through the series; a state that is called for counts after an hour of it."""
    state = _wanted("unfrozen", float(temp[0]), point_c, through_c)
    since = pending_since = float(time[0])
    pending = state
    for t, c in zip(time.tolist(), temp.tolist(), strict=True):
        wanted = _wanted(state, c, point_c, through_c)
        if wanted != pending:
            pending, pending_since = wanted, t
        if wanted != state and t - pending_since >= CONFIRM_H:
            state, since = wanted, pending_since
    return state, since


def hard_frozen_h(time: Floats, temp: Floats) -> float:
    """Hours of the latest unbroken stretch at or below -18 C; a hole of over two hours breaks it."""
    breaks = np.flatnonzero(np.diff(time) > _HOLE_H) + 1
    latest = 0.0
    for t, c in zip(np.split(time, breaks), np.split(temp, breaks), strict=True):
        spans = stretches_below(t, c, HARD_FROZEN_C)
        if spans:
            latest = spans[-1][1] - spans[-1][0]
    return latest
