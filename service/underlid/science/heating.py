"""Self-heating after feeding: cooling, the peak to come, and a ration that stays under a limit.

The heat balance is in `feed_balance`, its constants are learnt in `feed_response`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import FloatArray
from underlid.science.feed_balance import BINS, HEAT, OWN_MEAN, OWN_SD, START, run
from underlid.science.feed_response import (
    FeedResponse,
    at_hours,
    before_any_feeding,
    blocks,
    fit,
    observed,
    series,
)

_LEAST_EXCESS_C = 1.0  # nearer to the room a fall follows the room
_STEEP_SHARE = 0.65  # late feed heat makes falls slower, nothing makes them faster
_SHORTEST_FALL_H = 3.0  # shorter ones are a lid, cold feed or a mix of two pockets

WATCH_H = 72.0
"""The peak of a feeding is the highest temperature within this time after it (or after the last reading, if later)."""

_MEMBERS = 200
_ROUNDING_H = 1e-6  # of times on a clock that counts from far away
_TRUST = 0.3  # power of the members' weights: with all of it a handful would carry the forecast
_USUAL_RISE_C = 8.0  # of a pocket: bins stay below 40 to 50 C (Cornell composting pages), most well below
_TYPICAL_KG, _TYPICAL_SPREAD = (
    0.8,
    0.6,
)  # of a feeding whose mass is not known (logarithm): common practice, no source
_ROOM_SD_C, _ROOM_MEMORY_H = 1.1, 50.0  # a room's weather around its mean, and how long it lasts
_CYCLE_DAYS = 5  # whose mean daily cycle is taken for the days ahead
_PROBE_SD_C = 0.25  # between readings and the highest temperature there is
_MISSED_SD_C, _MISSED_AFTER_H = 0.9, 24.0  # what the balance misses of a feeding's days to come


@dataclass(frozen=True, slots=True)
class PeakForecast:
    """Highest temperature after a feeding, with an interval at `confidence`.

    `at_h` is on the clock of `time_h` (in the past when the peak is over); `ahead_h` counts from the last reading.
    `rise_c` is what the feed adds at most over what the bin would have been without it.
    """

    peak_c: float
    low_c: float
    high_c: float
    at_h: float
    confidence: float
    rise_c: float
    last_h: float
    _time_h: FloatArray
    _mean: FloatArray
    _sd: FloatArray

    @property
    def ahead_h(self) -> float:
        """Hours from the last reading to the peak; negative when it is over."""
        return self.at_h - self.last_h

    def curve(self, at_h: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Middle, lower and upper temperature at times on the clock of the readings, for a chart."""
        at = np.asarray(at_h, dtype=np.float64)
        mean = np.interp(at, self._time_h, self._mean)
        half = NormalDist().inv_cdf(0.5 + self.confidence / 2) * np.interp(at, self._time_h, self._sd)
        return mean, mean - half, mean + half


def cooling_constant_per_h(time_h: ArrayLike, temp_c: ArrayLike, ambient_c: ArrayLike) -> float:
    """Cooling constant of a bin (1/h) from stretches in which it cools towards its surroundings.

    time_h, temp_c: shape (n,), any order and spacing, NaN for holes; ambient_c: a number or shape (n,).
    Newton's law of cooling, dT/dt = -k (T - Ta). Late feed heat makes a bin seem slower than it is, so the steeper
    cool-downs count more. Raises ValueError when nothing cools by 1 C or shapes differ.
    """
    time, temp, room = series(time_h, temp_c, ambient_c)
    t, pocket, around = blocks(time, temp, room)
    excess = pocket - around
    found: list[tuple[float, float]] = []
    for i, j in _falls(excess):
        area = float(np.trapezoid(excess[i : j + 1], t[i : j + 1]))
        drop, lasted = float(pocket[i] - pocket[j]), float(t[j] - t[i])
        if drop >= 1.0 and lasted >= _SHORTEST_FALL_H and area >= _LEAST_EXCESS_C * lasted:
            found.append((drop / area, drop * lasted))
    if not found:
        raise ValueError("temp_c must hold a cool-down of 1 C or more towards ambient_c over 3 hours or more")
    found.sort()
    reached = np.cumsum([weight for _, weight in found])
    return found[int(np.searchsorted(reached, _STEEP_SHARE * reached[-1]))][0]


def _falls(excess: FloatArray) -> list[tuple[int, int]]:
    """Index pairs of stretches in which the excess over the room falls (small rises allowed)."""
    out = []
    i = 0
    n = len(excess)
    while i < n - 1:
        j = i
        lowest = excess[i]
        while j < n - 1 and excess[j + 1] <= lowest + 0.3:
            j += 1
            lowest = min(lowest, excess[j])
        end = i + int(np.argmin(excess[i : j + 1]))
        if end > i:
            begin = i + int(np.argmax(excess[i : end + 1]))
            if end > begin:
                out.append((begin, end))
        i = j + 1
    return out


def forecast_peak(
    time_h: ArrayLike,
    temp_c: ArrayLike,
    ambient_c: ArrayLike,
    fed_at_h: float,
    cooling_per_h: float,
    confidence: float = 0.8,
    response: FeedResponse | None = None,
    feed_kg: float | None = None,
) -> PeakForecast:
    """Forecast the peak after the feeding at `fed_at_h` from what was measured so far, be it only the first hours.

    time_h: hours, shape (n,); temp_c: shape (n,), NaN for holes; ambient_c: a number or shape (n,). Rows later than
    the last temperature, with NaN temperature, are taken as a forecast of the surroundings; without them the
    last days' cycle goes on. Readings before the feeding, when given, show what the bin did without it.
    response, feed_kg: what past feedings of this bin taught (`fit_feed_response`) and the mass given this time.
    Raises ValueError for shapes that differ, temperatures outside -60..110, a cooling constant or mass not above 0,
    a confidence outside 0..1, a response without a mass, or no reading at or after the feeding.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence:g}")
    if (response is None) != (feed_kg is None):
        raise ValueError("response and feed_kg must be given together")
    if feed_kg is not None and not feed_kg > 0.0:
        raise ValueError(f"feed_kg must be above 0, got {feed_kg:g}")
    time, temp, room = series(time_h, temp_c, ambient_c)
    last = float(time[np.isfinite(temp)][-1])
    if not last >= fed_at_h:
        raise ValueError(
            f"time_h must hold a temperature at or after fed_at_h={fed_at_h:g}, the last is at {last:g}"
        )
    known = response or before_any_feeding(cooling_per_h, float(np.mean(room)))
    if feed_kg is None:
        spread = known.covariance.copy()
        spread[HEAT, HEAT] += _TYPICAL_SPREAD**2
        known = replace(known, covariance=spread)
    seen = observed(time, temp, room, fed_at_h, _TYPICAL_KG if feed_kg is None else feed_kg)
    mean, own, covariance = fit([seen], known)
    random = np.random.default_rng(0)
    half = random.normal(size=(len(covariance), _MEMBERS // 2))
    best = np.append(mean, own)[:, None]
    members = best + np.linalg.cholesky(covariance) @ np.hstack([half, -half])
    bare = best.copy()
    bare[START] = -np.inf  # the feed stays as it is
    sets = np.hstack([members, best, bare])

    lead = int(np.ceil(-seen.from_h - _ROUNDING_H))
    now_h, told_h = last - fed_at_h, float(time[-1]) - fed_at_h
    hours = np.arange(-lead, np.ceil(max(WATCH_H, now_h + 6.0)) + 1.0)
    around = np.repeat(np.interp(hours + fed_at_h, time, room)[:, None], sets.shape[1], axis=1)
    ahead = hours > told_h + _ROUNDING_H
    around[ahead] = _room_ahead(time, room, hours[ahead] - told_h, known.room_c)[:, None]
    around[ahead, :_MEMBERS] += _weather(hours[ahead] - told_h, random)
    each = np.repeat([[seen.feed_kg, seen.temp_c[0], seen.from_h]], sets.shape[1], axis=0).T
    course = run(sets, each[0], each[1], each[2], around, lead).pocket_c
    misfit = (seen.temp_c[:, None] - at_hours(seen.t_h, lead, course))[:, :_MEMBERS]
    # members stand for a normal distribution near the best fit; each counts by how much likelier it is than that
    from_known = members[:BINS] - known.mean[:, None]
    likely = np.sum(seen.independent(misfit) ** 2, axis=0)
    likely += np.sum(from_known * np.linalg.solve(known.covariance, from_known), axis=0)
    likely += np.sum(((members[BINS:] - OWN_MEAN[:, None]) / OWN_SD[:, None]) ** 2, axis=0)
    log_share = -0.5 * _TRUST * (likely - np.tile(np.sum(half**2, axis=0), 2))
    if not known.feedings:
        log_share -= 0.5 * ((course[lead + 1 :, :_MEMBERS].max(axis=0) - seen.temp_c[0]) / _USUAL_RISE_C) ** 2
    share = np.exp(log_share - log_share.max())
    share /= share.sum()
    course = np.delete(course, lead, axis=0)  # the hour of the feeding once, as it is after it
    fed = course[:, -2] - course[:, -1]
    path = course[:, :_MEMBERS] + seen.lasting(misfit, hours)
    missed = _MISSED_SD_C * -np.expm1(-np.maximum(hours - now_h, 0.0) / _MISSED_AFTER_H)

    to_come = np.flatnonzero((hours > now_h + _ROUNDING_H) & (hours >= 0.0))
    member = np.arange(_MEMBERS)
    top = to_come[np.argmax(path[to_come], axis=0)]
    missing, probe = (np.append(z, -z) for z in random.normal(size=(2, _MEMBERS // 2)))
    peak = path[top, member] + missed[top] * missing
    after = np.flatnonzero(seen.t_h >= 0.0)
    highest = after[np.argmax(seen.temp_c[after])] if len(after) else -1
    at_h = np.where(peak > seen.temp_c[highest], hours[top], seen.t_h[highest])
    peak = np.maximum(peak, seen.temp_c[highest]) + _PROBE_SD_C * probe
    low, middle, high = _quantiles(peak, share, (0.5 - confidence / 2, 0.5, 0.5 + confidence / 2))
    mean_path = path @ share
    return PeakForecast(
        peak_c=middle,
        low_c=low,
        high_c=high,
        at_h=fed_at_h + _quantiles(at_h, share, (0.5,))[0],
        confidence=confidence,
        rise_c=float(fed.max()),
        last_h=last,
        _time_h=hours + fed_at_h,
        _mean=mean_path,
        _sd=np.sqrt((path - mean_path[:, None]) ** 2 @ share + missed**2),
    )


def _quantiles(value: FloatArray, share: FloatArray, levels: tuple[float, ...]) -> list[float]:
    """Quantiles of members that count by their share."""
    order = np.argsort(value)
    reached = np.cumsum(share[order]) - share[order] / 2.0
    return [float(np.interp(level, reached, value[order])) for level in levels]


def _room_ahead(time: FloatArray, room: FloatArray, ahead_h: FloatArray, usual_c: float) -> FloatArray:
    """The room beyond what is told: the mean daily cycle of the last days, around a level that fades to the usual."""
    lasted = float(time[-1] - time[0])
    if lasted < 24.0:
        level, cycle = float(np.mean(room)), np.zeros(len(ahead_h))
    else:
        days = np.arange(1, min(int(lasted // 24.0), _CYCLE_DAYS) + 1)
        level = float(np.mean(np.interp(time[-1] - np.arange(48) / 2.0, time, room)))
        same_hour = time[-1] + ahead_h % 24.0 - 24.0 * days[:, None]
        day_mean = np.interp(time[-1] - np.arange(48) / 2.0 - 24.0 * (days[:, None] - 1), time, room).mean(
            axis=1
        )
        cycle = (np.interp(same_hour, time, room) - day_mean[:, None]).mean(axis=0)
    return usual_c + (level - usual_c) * np.exp(-ahead_h / _ROOM_MEMORY_H) + cycle


def _weather(ahead_h: FloatArray, random: np.random.Generator) -> FloatArray:
    """Departures of the room from its expected course, (len(ahead_h), members): a walk drawn back to none."""
    out = np.zeros((len(ahead_h), _MEMBERS))
    keep = np.exp(-np.diff(ahead_h, prepend=0.0) / _ROOM_MEMORY_H)
    departure = np.zeros(_MEMBERS)
    for i, kept in enumerate(keep):
        kick = random.normal(size=_MEMBERS // 2) * _ROOM_SD_C * np.sqrt(1.0 - kept**2)
        departure = kept * departure + np.append(kick, -kick)
        out[i] = departure
    return out


def safe_ration_kg(
    past_feed_kg: ArrayLike, past_peak_rise_c: ArrayLike, base_c: float, limit_c: float
) -> float:
    """Feed (kg) whose peak stays under `limit_c` from a bin at `base_c`, nine times in ten by past feedings.

    past_feed_kg, past_peak_rise_c: shape (n,), one pair per past feeding of this bin and kind of feed; NaN pairs are
    skipped. The rise is taken as proportional to the mass; the spread of the rise per kg makes the bound (a Student
    prediction bound; a single past feeding is given a spread of 25 %: common practice, no source).
    0 when the bin is at the limit already. inf when no past feeding warmed the bin. Raises ValueError for masses not
    above 0, shapes that differ or no pair.
    """
    feed = np.atleast_1d(np.asarray(past_feed_kg, dtype=float))
    rise = np.atleast_1d(np.asarray(past_peak_rise_c, dtype=float))
    if feed.ndim != 1 or feed.shape != rise.shape:
        raise ValueError(
            f"past_feed_kg and past_peak_rise_c must be equally long, got {feed.shape} and {rise.shape}"
        )
    known = np.isfinite(feed) & np.isfinite(rise)
    feed, rise = feed[known], np.maximum(rise[known], 0.0)
    if len(feed) == 0:
        raise ValueError("past_feed_kg must hold at least one feeding with a known rise")
    if feed.min() <= 0.0:
        raise ValueError(f"past_feed_kg must be above 0, got {feed.min()}")
    if not (np.isfinite(base_c) and np.isfinite(limit_c)):
        raise ValueError(f"base_c and limit_c must be finite, got {base_c} and {limit_c}")
    room_left = limit_c - base_c
    if room_left <= 0.0:
        return 0.0
    per_kg = rise / feed
    n = len(per_kg)
    if n == 1:
        bound = 1.25 * float(per_kg[0])
    else:
        bound = (
            float(per_kg.mean())
            + _T90[min(n - 1, len(_T90)) - 1] * float(per_kg.std(ddof=1)) * (1 + 1 / n) ** 0.5
        )
    return room_left / bound if bound > 0.0 else float("inf")


# Student's t, 0.90 one-sided, 1..10 degrees of freedom (any statistics table); later entries change by under 0.1
_T90 = (3.078, 1.886, 1.638, 1.533, 1.476, 1.440, 1.415, 1.397, 1.383, 1.372)
