"""What past feedings of a bin teach about the next: the constants of `feed_balance` and how well they are known.

Constants start from wide literature values and are fitted by Gauss-Newton with damping (Levenberg-Marquardt), all
feedings together: those of the bin and its feed are shared, a few are each feeding's own. What the balance misses of
the readings is taken as an error that lasts for hours, plus a little noise. Near the best fit the constants are
normally distributed (Laplace's approximation).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import FloatArray
from underlid.science.feed_balance import (
    BIN_MEAN,
    BIN_SD,
    BINS,
    COOLING,
    LOGARITHMS,
    OWN_MEAN,
    OWN_SD,
    OWNS,
    START,
    run,
)

BLOCK_H = 0.5
LEAD_H = 24  # what is read before a feeding
_LEARNT_H = 96.0  # what is read after a past one
_CLOSE_H = 0.3  # a block this near to the feeding may hold both pockets
_MISFIT_C, _MISFIT_LASTS_H, _NOISE_C = 0.4, 8.0, 0.08
_ITERATIONS = 9
_ROUNDING = 1e-6  # of times on a clock that counts from far away
_LONGEST_STEP = 1.2  # of a logarithm
_STEPS: FloatArray = np.where(LOGARITHMS, 0.02, 0.1)  # of the differences that make the slopes


@dataclass(frozen=True, slots=True)
class PastFeeding:
    """One feeding and the temperatures around it: from some hours before `fed_at_h` until the next hand on the bin.

    time_h: hours, shape (n,); temp_c: pocket temperature, shape (n,), NaN for holes; ambient_c: a number or shape
    (n,); feed_kg above 0; food: the kind of feed.
    """

    time_h: ArrayLike
    temp_c: ArrayLike
    ambient_c: ArrayLike
    fed_at_h: float
    feed_kg: float
    food: str = ""


@dataclass(frozen=True, slots=True)
class FeedResponse:
    """What is known of a bin and its feed: constants of `feed_balance.BIN` with covariance, and its usual room."""

    feedings: int
    mean: FloatArray
    covariance: FloatArray
    room_c: float

    def peak_rise_of_1_kg_c(self) -> float:
        """Expected peak rise that one kilogram gives in the usual room."""
        return float(self._rise_of_1_kg().max())

    def hours_to_peak(self) -> float:
        """Expected hours from feeding to the peak of the rise."""
        return float(self._rise_of_1_kg().argmax())

    def _rise_of_1_kg(self) -> FloatArray:
        both = np.repeat(np.append(self.mean, OWN_MEAN)[:, None], 2, axis=1)
        both[START, 1] = -np.inf  # the feed stays as it is
        room = np.full((169, 2), self.room_c)
        course = run(both, np.ones(2), room[0], np.zeros(2), room, 0).pocket_c[1:]
        return np.asarray(course[:, 0] - course[:, 1])


def before_any_feeding(cooling_per_h: float, room_c: float) -> FeedResponse:
    """What is known of a bin whose feedings are not: the literature's wide values and a cooling constant."""
    if not cooling_per_h > 0.0:
        raise ValueError(f"cooling_per_h must be above 0, got {cooling_per_h:g}")
    mean = BIN_MEAN.copy()
    mean[COOLING] = np.log(cooling_per_h)
    return FeedResponse(0, mean, np.diag(BIN_SD**2), room_c)


def fit_feed_response(past: list[PastFeeding], cooling_per_h: float) -> FeedResponse:
    """The response of this bin to one kind of feed, from past feedings of it.

    past: one feeding or more; cooling_per_h: 1/h, above 0. Raises ValueError when there is no feeding, a mass or the
    cooling constant is not above 0, or series do not fit.
    """
    if not past:
        raise ValueError("past must hold at least one feeding")
    seen = []
    for feeding in past:
        if not feeding.feed_kg > 0.0:
            raise ValueError(f"feed_kg must be above 0, got {feeding.feed_kg:g}")
        time, temp, room = series(feeding.time_h, feeding.temp_c, feeding.ambient_c)
        early = time <= max(feeding.fed_at_h + _LEARNT_H, float(time[np.isfinite(temp)][1]))
        seen.append(
            observed(time[early], temp[early], room[early], feeding.fed_at_h, feeding.feed_kg, 2 * BLOCK_H)
        )
    room_c = float(np.mean(np.concatenate([s.room_c for s in seen])))
    known = before_any_feeding(cooling_per_h, room_c)
    mean, _, covariance = fit(seen, known)
    return FeedResponse(len(past), mean, covariance[:BINS, :BINS], room_c)


def fit_feed_responses(past: list[PastFeeding], cooling_per_h: float) -> dict[str, FeedResponse]:
    """`fit_feed_response` for each kind of feed by itself."""
    foods = sorted({feeding.food for feeding in past})
    return {food: fit_feed_response([f for f in past if f.food == food], cooling_per_h) for food in foods}


@dataclass(frozen=True, slots=True)
class Observed:
    """Readings around one feeding, in hours since it: blocks t_h, temp_c (n,); the room at room_t_h (m,).

    from_h: where the course of the balance begins.
    """

    t_h: FloatArray
    temp_c: FloatArray
    room_t_h: FloatArray
    room_c: FloatArray
    feed_kg: float

    @property
    def from_h(self) -> float:
        return min(float(self.t_h[0]), 0.0)

    def independent(self, misfit_c: FloatArray) -> FloatArray:
        """Misfits (n, sets) that last for hours, made independent of each other and of size one."""
        keep = np.exp(-np.diff(self.t_h) / _MISFIT_LASTS_H)[:, None]
        new = (misfit_c[1:] - keep * misfit_c[:-1]) / np.sqrt(_MISFIT_C**2 * (1.0 - keep**2) + _NOISE_C**2)
        return np.concatenate([misfit_c[:1] / _MISFIT_C, new])

    def lasting(self, misfit_c: FloatArray, at_h: FloatArray) -> FloatArray:
        """What misfits (n, sets) let expect at other hours: the nearest one's, fading."""
        apart = np.abs(at_h[:, None] - self.t_h)
        nearest = apart.argmin(axis=1)
        return np.asarray(misfit_c[nearest] * np.exp(-apart.min(axis=1) / _MISFIT_LASTS_H)[:, None])


def observed(
    time: FloatArray,
    temp: FloatArray,
    room: FloatArray,
    fed_at_h: float,
    feed_kg: float,
    block_h: float = BLOCK_H,
) -> Observed:
    """`Observed` of series as `series` gives them."""
    near = time >= fed_at_h - LEAD_H
    t, mean, _ = blocks(time[near], temp[near], room[near], block_h)
    t = t - fed_at_h
    clear = np.abs(t) >= _CLOSE_H
    if clear.any():
        t, mean = t[clear], mean[clear]
    return Observed(t, mean, time - fed_at_h, room, feed_kg)


def fit(seen: list[Observed], known: FeedResponse) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Constants of the bin (BINS,), of each feeding (feedings, OWNS), and the covariance of all of them, in that order.

    Least squares of whitened misfits and of departures from what was known.
    """
    count, each = len(seen), BINS + OWNS
    lead = int(np.ceil(-min(s.from_h for s in seen)))
    # To the feeding at least: after a silence, what is seen may end before it.
    room_h = np.arange(-lead, np.ceil(max(0.0, *(float(s.t_h[-1]) for s in seen))) + 2.0)
    room_c = np.repeat(
        np.stack([np.interp(room_h, s.room_t_h, s.room_c) for s in seen], axis=1), each + 1, axis=1
    )
    kg, first, begin = np.repeat([[s.feed_kg, s.temp_c[0], s.from_h] for s in seen], each + 1, axis=0).T
    own = [slice(BINS + OWNS * j, BINS + OWNS * (j + 1)) for j in range(count)]
    expected = np.append(known.mean, np.tile(OWN_MEAN, count))
    prior = np.zeros((len(expected), len(expected)))
    prior[:BINS, :BINS] = np.linalg.inv(known.covariance)
    prior[BINS:, BINS:] = np.diag(np.tile(OWN_SD**-2.0, count))
    logarithms = np.append(LOGARITHMS[:BINS], np.tile(LOGARITHMS[BINS:], count))

    def judged(x: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """The sum of squares, the downhill direction and the curvature."""
        sets = np.stack([np.concatenate([x[:BINS], x[o]]) for o in own])
        sets = np.repeat(sets[:, None], each + 1, axis=1)
        sets[:, np.arange(1, each + 1), np.arange(each)] += _STEPS
        course = run(sets.reshape(-1, each).T, kg, first, begin, room_c, lead).pocket_c
        off = expected - x
        downhill, curvature = prior @ off, prior.copy()
        squares = float(off @ downhill)
        for j, s in enumerate(seen):
            here = at_hours(s.t_h, lead, course[:, j * (each + 1) : (j + 1) * (each + 1)])
            miss = s.independent(s.temp_c[:, None] - here)
            slopes = (miss[:, :1] - miss[:, 1:]) / _STEPS
            place = np.r_[0:BINS, own[j]]
            downhill[place] += slopes.T @ miss[:, 0]
            curvature[np.ix_(place, place)] += slopes.T @ slopes
            squares += float(miss[:, 0] @ miss[:, 0])
        return squares, downhill, curvature

    best, damping = expected, 0.01
    squares, downhill, curvature = judged(best)
    for _ in range(_ITERATIONS):
        step = np.linalg.solve(curvature + damping * np.diag(np.diag(curvature)), downhill)
        step *= min(1.0, _LONGEST_STEP / max(float(np.abs(step[logarithms]).max()), 1e-9))
        trial = judged(best + step)
        if trial[0] < squares:
            gained = squares - trial[0]
            best, (squares, downhill, curvature) = best + step, trial
            damping /= 5.0
            if gained < 0.2:
                break
        else:
            damping = max(10.0 * damping, 0.05)
    return best[:BINS], best[BINS:].reshape(count, OWNS), np.asarray(np.linalg.inv(curvature))


def at_hours(t_h: FloatArray, lead_h: int, course_c: FloatArray) -> FloatArray:
    """A course of `feed_balance.run`, (hours + 2, sets), at other hours since the feeding: (len(t_h), sets)."""
    place = t_h + lead_h + (t_h >= 0.0)
    i = np.clip(np.floor(place).astype(np.int64), 0, len(course_c) - 2)
    part = np.clip(place - i, 0.0, 1.0)[:, None]
    return np.asarray(course_c[i] * (1.0 - part) + course_c[i + 1] * part)


def following(t: FloatArray, room: FloatArray, k: FloatArray) -> FloatArray:
    """What only follows the room from 0 C, per cooling constant: (len(k), len(t)); exact for a room linear between."""
    out = np.zeros((len(k), len(t)))
    for i in range(1, len(t)):
        kdt = k * (t[i] - t[i - 1])
        fade = np.exp(-kdt)
        mean = -np.expm1(-kdt) / np.maximum(kdt, 1e-12)
        out[:, i] = out[:, i - 1] * fade + room[i] * (1.0 - mean) + room[i - 1] * (mean - fade)
    return out


def series(
    time_h: ArrayLike, temp_c: ArrayLike, ambient_c: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The three checked, in order of time, the room without holes. Raises ValueError as the callers document."""
    time = np.asarray(time_h, dtype=np.float64)
    temp = np.asarray(temp_c, dtype=np.float64)
    room = np.asarray(ambient_c, dtype=np.float64)
    if time.ndim != 1 or time.shape != temp.shape or room.shape not in ((), time.shape):
        raise ValueError(
            "time_h, temp_c and ambient_c must be one-dimensional and of one length (ambient_c may be a number), "
            f"got {time.shape}, {temp.shape}, {room.shape}"
        )
    if not np.isfinite(time).all():
        raise ValueError("time_h must be finite")
    for name, value in (("temp_c", temp), ("ambient_c", room)):
        if np.any((value < -60.0) | (value > 110.0)):
            raise ValueError(
                f"{name} must lie within -60 to 110 C, got {np.nanmin(value):g} to {np.nanmax(value):g}"
            )
    order = np.argsort(time, kind="stable")
    time, temp, room = time[order], temp[order], np.broadcast_to(room, time.shape)[order]
    known = np.isfinite(room)
    if not known.any():
        raise ValueError("ambient_c must hold at least one reading")
    if np.count_nonzero(np.isfinite(temp)) < 2:
        raise ValueError(f"temp_c must hold at least 2 readings, got {np.count_nonzero(np.isfinite(temp))}")
    return time, temp, np.interp(time, time[known], room[known])


def blocks(
    time: FloatArray, temp: FloatArray, room: FloatArray, block_h: float = BLOCK_H
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means over blocks counted back from the last temperature; spans without a temperature are left out."""
    known = np.isfinite(temp)
    time, temp, room = time[known], temp[known], room[known]
    block = np.floor((time[-1] - time) / block_h + _ROUNDING).astype(np.int64)
    first = np.flatnonzero(np.concatenate([[True], block[1:] != block[:-1]]))
    count = np.diff(np.append(first, len(time)))
    t, temp, room = (np.add.reduceat(a, first) / count for a in (time, temp, room))
    return t, temp, room
