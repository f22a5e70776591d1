"""Why a bin got warmer: feed, weather, sun or a faulty probe.

The heat balance of `feed_response`, read backwards. What the room alone would have given of the rise is weather; what
is left is heat set free inside (feed) or shone on the lid (sun, which comes and goes within a day at the same hour).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import FloatArray
from underlid.science.feed_response import blocks, following, series

Cause = Literal["none", "weather", "feed", "sun", "fault", "unknown"]

_LEAST_RISE_C = 1.0
_FASTEST_C_PER_H, _LEAST_JUMP_C = 30.0, 4.0  # a thin layer in full sun is slower: common practice, no source
_HOTTEST_C = 80.0  # no bin; and 85 C is what a digital thermometer says after power loss
_FEED_WORKS_H = 96.0
_SUN_LASTS_H = 9.0
_QUIET_BLOCKS = 12


@dataclass(frozen=True, slots=True)
class Rise:
    """A rise in the last day: how much, from when, the part the room explains, and its likeliest cause."""

    cause: Cause
    rise_c: float
    began_h: float
    from_room_c: float


def explain_rise(
    time_h: ArrayLike,
    temp_c: ArrayLike,
    ambient_c: ArrayLike,
    cooling_per_h: float,
    fed_at_h: ArrayLike = (),
    window_h: float = 24.0,
) -> Rise:
    """Explain the largest rise within the last `window_h` hours.

    time_h: hours, shape (n,); temp_c: shape (n,), NaN for holes, spikes left in; ambient_c: a number or shape (n,);
    fed_at_h: times of feedings on the same clock, shape (m,). Two or three days before the window let the sun be told
    by its hour. cause "none": under 1 C; "unknown": none of the others fits.
    Raises ValueError for shapes that differ, temperatures outside -60..110, a cooling constant or window not above 0.
    """
    if not cooling_per_h > 0.0:
        raise ValueError(f"cooling_per_h must be above 0, got {cooling_per_h:g}")
    if not window_h > 0.0:
        raise ValueError(f"window_h must be above 0, got {window_h:g}")
    time, temp, room = series(time_h, temp_c, ambient_c)
    t, temp_b, room_b = blocks(time, temp, room)
    fed = np.atleast_1d(np.asarray(fed_at_h, dtype=np.float64))
    recent = np.flatnonzero(t >= t[-1] - window_h)
    lowest = np.minimum.accumulate(temp_b[recent])
    top = int(recent[np.argmax(temp_b[recent] - lowest)])
    foot = int(recent[0] + np.argmin(temp_b[recent[0] : top + 1]))
    rise = float(temp_b[top] - temp_b[foot])
    began = float(t[foot])
    if _faulty(time, temp, t[-1] - window_h):
        return Rise("fault", rise, began, 0.0)
    heat = _heat(t, temp_b, room_b, cooling_per_h)
    standing = _standing(t, heat, fed, began, cooling_per_h * (temp_b[foot] - room_b[foot]))
    span = slice(foot, top + 1)
    alone = room_b[span] + standing / cooling_per_h - temp_b[foot]
    from_room = float(following(t[span], alone, np.array([cooling_per_h]))[0][-1])
    if rise < _LEAST_RISE_C:
        return Rise("none", rise, began, from_room)
    if from_room >= 0.6 * rise:
        return Rise("weather", rise, began, from_room)
    lately_fed = bool(np.any((fed <= t[top]) & (fed >= began - _FEED_WORKS_H)))
    daily = _was_so_a_day_before(t, temp_b, room_b, foot, top, rise - from_room)
    short = _hours_above_half(t, heat - standing, foot, top) <= _SUN_LASTS_H
    if lately_fed and not (daily and short):
        return Rise("feed", rise, began, from_room)
    if short and (daily or not lately_fed):
        return Rise("sun", rise, began, from_room)
    return Rise("unknown", rise, began, from_room)


def _heat(t: FloatArray, temp: FloatArray, room: FloatArray, cooling_per_h: float) -> FloatArray:
    """Heat set free (C/h) by the balance; zero where two blocks do not make a slope."""
    return np.gradient(temp, t) + cooling_per_h * (temp - room) if len(t) > 2 else np.zeros(len(t))


def _standing(t: FloatArray, heat: FloatArray, fed: FloatArray, began_h: float, otherwise: float) -> float:
    """The heat a bin had anyway: its median before the rise, away from feedings; `otherwise` without such hours."""
    since = t[:, None] - fed[None, :]
    quiet = (t < began_h) & ~np.any((since >= 0.0) & (since <= _FEED_WORKS_H), axis=1)
    return float(np.median(heat[quiet])) if np.count_nonzero(quiet) >= _QUIET_BLOCKS else otherwise


def _faulty(time: FloatArray, temp: FloatArray, since_h: float) -> bool:
    known = np.isfinite(temp) & (time >= since_h)
    when, value = time[known], temp[known]
    if np.any(value > _HOTTEST_C):
        return True
    step, jump = np.diff(when), np.abs(np.diff(value))
    return bool(np.any((jump > _LEAST_JUMP_C) & (jump > _FASTEST_C_PER_H * np.maximum(step, 1e-6))))


def _was_so_a_day_before(
    t: FloatArray, temp: FloatArray, room: FloatArray, foot: int, top: int, own_rise: float
) -> bool:
    """Whether the day before shows half this rise over the room at the same hours."""
    begin, end = t[foot] - 24.0, t[top] - 24.0
    if t[0] > begin:
        return False
    over = temp - room
    before = float(np.interp(end, t, temp) - np.interp(begin, t, temp))
    return before >= 0.5 * own_rise and float(np.interp(end, t, over)) > float(np.interp(begin, t, over))


def _hours_above_half(t: FloatArray, heat: FloatArray, foot: int, top: int) -> float:
    """How long the heat stayed above half its height around the rise."""
    peak = foot + int(np.argmax(heat[foot : top + 1]))
    above = heat > 0.5 * heat[peak]
    first = last = peak
    while first > 0 and above[first - 1]:
        first -= 1
    while last < len(t) - 1 and above[last + 1]:
        last += 1
    return float(t[last] - t[first])
