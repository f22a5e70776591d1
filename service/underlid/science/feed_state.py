"""State of a tub of feed: from its own probe's plateau, from the model, or from both reconciled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.enthalpy import TABLE_C, March, enthalpy_table, march
from underlid.science.food import KITCHEN_SCRAPS, Composition
from underlid.science.geometry import Geometry, body
from underlid.science.plateau import State, find_plateau, hard_frozen_h, smooth, walk
from underlid.science.series import Floats, above, bridged, hourly_or_given, same_length
from underlid.science.tubs import (
    COLD_CAUTION,
    FROZEN_THROUGH_ICE,
    HARD_FROZEN_C,
    stretches_below,
)

Source = Literal["probe", "model", "probe and model", "none"]

SILENT_H = 3.0
_HEAT_FACTORS = np.array([0.4, 0.55, 0.75, 1.0, 1.35, 1.8, 2.5])
_DISAGREE_C = 2.0
_TRUSTED_C = 1.0
_OFFSET_C = 0.6
_MODEL_SD_C = 0.3
_FACTOR_LOG_SD = 0.35
_IN_AIR_C = 0.8
_GRID_H = 1.0
_TRACE_OF_ICE = 0.02
_MELTED = 0.1
_ICE_CLASS = {"unfrozen": 0, "thawed": 0, "freezing": 1, "thawing": 1, "frozen through": 2, "hard-frozen": 2}


@dataclass(frozen=True)
class FreezingState:
    """State at the last time given.

    ``since_h``: when it began, in the caller's time. ``hard_frozen_h``: unbroken hours with the core at or
    below -18 C, of the stretch that runs now or else the latest one (0: there was none).
    ``frozen_fraction``: share of the freezable water that is ice, by the model (NaN without it).
    ``plateau_c``: the tub's own freezing point as its probe shows it (NaN: it showed none).
    ``surface_w_m2k``: heat transfer that fits the probe best, or the given one (NaN without the model).
    ``agree``: whether probe and model tell the same story (None with only one of them).
    """

    state: State
    since_h: float
    hard_frozen_h: float
    core_c: float
    frozen_fraction: float
    plateau_c: float
    surface_w_m2k: float
    source: Source
    agree: bool | None
    reason: str
    caution: str = COLD_CAUTION


@dataclass(frozen=True)
class _Story:
    """What one witness tells: state, since when, hours hard-frozen, core temperature now."""

    state: State
    since_h: float
    hard_frozen_h: float
    core_c: float


def freezing_state(
    time_h: ArrayLike,
    feed_c: ArrayLike | None = None,
    outdoor_c: ArrayLike | None = None,
    geometry: Geometry | None = None,
    food: Composition = KITCHEN_SCRAPS,
    surface_w_m2k: float = 10.0,
    start_c: float | None = None,
) -> FreezingState:
    """State of a tub of feed at the last of ``time_h``: unfrozen, freezing, frozen through, hard-frozen,
    thawing, thawed, or unknown.

    ``time_h`` (n,): rising hours, uneven as they come; ``feed_c`` (n,): the tub's own probe, or None;
    ``outdoor_c`` (n,), or None; NaN marks what is missing. ``geometry`` is what the model needs beside
    ``outdoor_c``; ``start_c`` is the tub's temperature at the first time (default: the probe's first,
    else the mean of the first day outdoors).

    Probe alone: freezing water holds its temperature, so the point at which the probe dwells near the
    food's freezing point is taken as the tub's own (with the outdoor air colder or warmer meanwhile, if
    it is known); 0.4 C above it counts as unfrozen, 0.8 C below it as frozen through; a change counts after
    an hour. Model alone: the enthalpy model. Both: the heat transfer, 0.4 to 2.5 times
    ``surface_w_m2k``, is fitted to the probe; the model then gives the frozen fraction, tells a melting rim
    from a core still frozen, carries on when the probe has been silent for three hours, and judges alone
    when the probe follows the air instead of the feed. Without the model a silent probe means unknown.
    Hard-frozen means at or below -18 C, in hours; it is no statement about insects. ValueError as in
    ``freeze_through_h``, and for lengths that differ.
    """
    time = np.asarray(time_h, dtype=np.float64)
    time = hourly_or_given(time, time.size)
    feed = same_length(feed_c, time.size, "feed_c")
    outdoor = same_length(outdoor_c, time.size, "outdoor_c")
    above(surface_w_m2k, "surface_w_m2k")
    seen = np.isfinite(feed)
    probe = _probe_story(time[seen], feed[seen], time, outdoor, food) if seen.sum() >= 3 else None
    if geometry is None or time.size < 2 or not np.isfinite(outdoor).any():
        if probe is None:
            return FreezingState(
                "unknown", _last(time), 0.0, math.nan, math.nan, math.nan, math.nan, "none", None, "no data"
            )
        story, plateau = probe
        silent = time[-1] - time[seen][-1]
        if silent > SILENT_H:
            return FreezingState(
                "unknown", float(time[seen][-1]), story.hard_frozen_h, math.nan, math.nan, plateau, math.nan,
                "none", None, f"the tub's probe has been silent for {silent:.0f} h",
            )  # fmt: skip
        return FreezingState(
            story.state, story.since_h, story.hard_frozen_h, story.core_c, math.nan, plateau, math.nan,
            "probe", None, "from the tub's own probe",
        )  # fmt: skip

    air = bridged(time, outdoor, "outdoor_c")
    first = _first_c(time, feed, air) if start_c is None else start_c
    model, factor, miss = _fitted(geometry, food, surface_w_m2k, first, time, air, feed if probe else None)
    fraction, surface = float(model.frozen[-1, 0]), surface_w_m2k * factor
    own = _model_story(model)
    if probe is None:
        return FreezingState(
            own.state, own.since_h, own.hard_frozen_h, own.core_c, fraction, math.nan, surface,
            "model", None, "from the outdoor air and the model: no probe in the tub",
        )  # fmt: skip
    story, plateau = probe
    silent = time[-1] - time[seen][-1]
    in_air = float(np.sqrt(np.mean((smooth(feed[seen]) - air[seen]) ** 2)))
    if in_air < _IN_AIR_C and miss > 2.0 * in_air:
        return FreezingState(
            own.state, own.since_h, own.hard_frozen_h, own.core_c, fraction, math.nan, surface,
            "model", False, "the probe follows the outdoor air: it does not seem to sit in the feed",
        )  # fmt: skip
    if silent > SILENT_H:
        return FreezingState(
            own.state, own.since_h, story.hard_frozen_h, own.core_c, fraction, plateau, surface,
            "probe and model", None, f"the probe has been silent for {silent:.0f} h: the model carries on",
        )  # fmt: skip
    agree = miss <= _DISAGREE_C and abs(_ICE_CLASS[story.state] - _ICE_CLASS[own.state]) <= 1
    reason = "probe and model agree" if agree else "probe and model differ: the probe's word is taken"
    state, since = story.state, story.since_h
    if miss <= _TRUSTED_C and own.state == "thawing" and state in ("freezing", "frozen through"):
        # The rim melts first, where a probe in the core cannot see it.
        state, since, reason = (
            "thawing",
            own.since_h,
            "by the model the rim melts while the core is still frozen",
        )
    return FreezingState(
        state, since, story.hard_frozen_h, story.core_c, fraction, plateau, surface,
        "probe and model", agree, reason,
    )  # fmt: skip


@dataclass(frozen=True)
class TubCourse:
    """A tub through time by the model: temperature of its core and state at each of ``time_h`` (n,)."""

    time_h: Floats
    core_c: Floats
    state: list[State]


def course_by_air(
    time_h: ArrayLike,
    outdoor_c: ArrayLike,
    geometry: Geometry,
    food: Composition = KITCHEN_SCRAPS,
    surface_w_m2k: float = 10.0,
) -> TubCourse:
    """How a tub without a probe went: what ``freezing_state`` tells of its end by the model, of every hour.

    ``time_h`` (n >= 2), ``outdoor_c`` (n,): rising hours, NaN bridged. ValueError as there.
    """
    time = np.asarray(time_h, dtype=np.float64)
    time = hourly_or_given(time, time.size)
    air = bridged(time, same_length(outdoor_c, time.size, "outdoor_c"), "outdoor_c")
    first = _first_c(time, np.full(time.size, np.nan), air)
    run, _, _ = _fitted(geometry, food, above(surface_w_m2k, "surface_w_m2k"), first, time, air, None)
    at = np.minimum(np.searchsorted(run.time_h, time - 1e-6), run.time_h.size - 1)  # it makes shorter steps
    states = _model_states(run)
    return TubCourse(time, run.core_c[at, 0], [states[i][0] for i in at.tolist()])


def _last(time: Floats) -> float:
    return float(time[-1]) if time.size else math.nan


def _probe_story(
    time: Floats, feed: Floats, air_time: Floats, air: Floats, food: Composition
) -> tuple[_Story, float]:
    temp = smooth(feed)
    point = food.freezing_point_c
    plateau = find_plateau(time, temp, point)
    known = np.isfinite(air)
    if math.isfinite(plateau) and known.any():
        outside = np.interp(time, air_time[known], air[known])
        dwelling = np.abs(temp - plateau) <= 0.25
        # At rest with the air is no plateau: heat must flow for the temperature to be held by ice.
        if abs(float(np.median(outside[dwelling])) - plateau) < 1.0:
            plateau = math.nan
    at = plateau if math.isfinite(plateau) else point
    state, since = walk(time, temp, at, at + min(point, -0.5))
    return _Story(state, since, hard_frozen_h(time, temp), float(temp[-1])), plateau


def _first_c(time: Floats, feed: Floats, air: Floats) -> float:
    seen = np.isfinite(feed)
    if seen.any():
        return float(np.clip(smooth(feed[seen])[0], *TABLE_C))
    return float(air[time <= time[0] + 24.0].mean())


def _fitted(
    geometry: Geometry,
    food: Composition,
    surface_w_m2k: float,
    start_c: float,
    time: Floats,
    air: Floats,
    feed: Floats | None,
) -> tuple[March, float, float]:
    """The model's run that fits the probe best, its heat transfer factor and root mean square miss.

    A probe's own offset of up to 0.6 C is left out of the miss. The factor is drawn to 1 (log-normal, 0.35)
    against a lasting model error of 0.3 C: until it is frozen through, a core tells little of its surface.
    """
    hourly = np.append(np.arange(time[0], time[-1] - 1e-6, _GRID_H), time[-1])
    outside = np.interp(hourly, time, air)

    def run(factors: Floats) -> March:
        bodies = np.array([body(geometry, food, surface_w_m2k * factor) for factor in factors.tolist()])
        radius, dimensionality, overall = bodies.T
        many = np.tile(outside, (factors.size, 1))
        return march(enthalpy_table(food), radius, dimensionality, overall, start_c, hourly, many)

    if feed is None:
        return run(np.ones(1)), 1.0, math.nan
    seen = np.isfinite(feed)
    truth = smooth(feed[seen])

    def miss(core_c: Floats, clock: Floats) -> float:
        apart = np.interp(time[seen], clock, core_c) - truth
        return float(np.sqrt(np.mean((apart - np.clip(np.median(apart), -_OFFSET_C, _OFFSET_C)) ** 2)))

    trial = run(_HEAT_FACTORS)
    misses = np.array([miss(core, trial.time_h) for core in trial.core_c.T])
    apart = np.log(_HEAT_FACTORS)
    factor = _lowest(apart, (misses / _MODEL_SD_C) ** 2 + (apart / _FACTOR_LOG_SD) ** 2)
    best = run(np.array([factor]))
    return best, factor, miss(best.core_c[:, 0], best.time_h)


def _lowest(x: Floats, y: Floats) -> float:
    """exp of where the parabola through the lowest point and its neighbours is lowest; ends count as such."""
    i = int(y.argmin())
    if i in (0, y.size - 1):
        return float(np.exp(x[i]))
    (a, b, c), (u, v, w) = x[i - 1 : i + 2], y[i - 1 : i + 2]
    top = (b - a) ** 2 * (v - w) - (b - c) ** 2 * (v - u)
    bottom = (b - a) * (v - w) - (b - c) * (v - u)
    return float(np.exp(b - 0.5 * top / bottom)) if bottom != 0.0 else float(np.exp(b))


def _model_story(run: March) -> _Story:
    state, since = _model_states(run)[-1]
    spans = stretches_below(run.time_h, run.core_c[:, 0], HARD_FROZEN_C)
    hard = spans[-1][1] - spans[-1][0] if spans else 0.0
    return _Story(state, since, hard, float(run.core_c[-1, 0]))


def _model_states(run: March) -> list[tuple[State, float]]:
    """The state at each time and since when: any ice is freezing, half at the core frozen through, a tenth gone
    again thawing."""
    out: list[tuple[State, float]] = []
    state: State = "unfrozen"
    since, most, solid, had_ice = float(run.time_h[0]), 0.0, False, False
    rows = zip(
        run.time_h.tolist(),
        run.frozen[:, 0].tolist(),
        run.warmest_frozen[:, 0].tolist(),
        run.core_c[:, 0].tolist(),
        strict=True,
    )
    for t, frozen, least, core in rows:
        if frozen <= _TRACE_OF_ICE:
            new: State = "thawed" if had_ice else "unfrozen"
            most, solid = 0.0, False
        else:
            had_ice, most = True, max(most, frozen)
            solid = solid or least >= FROZEN_THROUGH_ICE
            if core <= HARD_FROZEN_C:
                new = "hard-frozen"
            elif least >= FROZEN_THROUGH_ICE:
                new = "frozen through"
            else:
                new = "thawing" if solid or frozen < most - _MELTED else "freezing"
        if new != state:
            state, since = new, t
        out.append((state, since))
    return out
