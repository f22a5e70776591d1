"""What worms stand, eat and become: responses to temperature and moisture, ration, growth, splitting."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import within
from underlid.science.series import Floats, above


@dataclass(frozen=True)
class WormLimits:
    """What a species stands and likes. Moisture in per cent wet basis, masses live.

    Activity is 0 at ``temp_min_c`` and ``temp_max_c`` and full at ``temp_best_c``; 0 at
    ``moist_min_pct_wb`` and ``moist_max_pct_wb`` and full between the two best values. Feed rates are kg of
    feed per kg of worms and day: the least a beginner is told, the one that made the best castings, the one
    that made the most worms. Days are (fastest, slowest).
    """

    name: str
    temp_min_c: float
    temp_best_c: float
    temp_max_c: float
    moist_min_pct_wb: float
    moist_best_low_pct_wb: float
    moist_best_high_pct_wb: float
    moist_max_pct_wb: float
    feed_least_kg_per_kg_day: float
    feed_kg_per_kg_day: float
    feed_most_kg_per_kg_day: float
    stock_kg_m2: float
    crowded_kg_m2: float
    full_kg_m2: float
    doubling_days: float
    doubling_low_days: float
    doubling_high_days: float
    cocoons_per_adult_week: float
    hatching_share: float
    young_per_cocoon: float
    hatch_days: tuple[float, float]
    mature_days: tuple[float, float]
    source: str


EISENIA_FETIDA = WormLimits(
    name="Eisenia fetida",
    temp_min_c=4.0,
    temp_best_c=25.0,
    temp_max_c=35.0,
    moist_min_pct_wb=50.0,
    moist_best_low_pct_wb=70.0,
    moist_best_high_pct_wb=90.0,
    moist_max_pct_wb=100.0,
    feed_least_kg_per_kg_day=0.5,
    feed_kg_per_kg_day=0.75,
    feed_most_kg_per_kg_day=1.25,
    stock_kg_m2=1.60,
    crowded_kg_m2=5.0,
    full_kg_m2=10.0,
    doubling_days=75.0,
    doubling_low_days=45.0,
    doubling_high_days=150.0,
    cocoons_per_adult_week=3.8,
    hatching_share=0.832,
    young_per_cocoon=3.3,
    hatch_days=(32.0, 73.0),
    mature_days=(53.0, 76.0),
    source=(
        "Least temperature 4 C: Edwards 1988 (Earthworm Ecology, table 18.3). Best 25 C, most 35 C, from "
        "50 % moisture: Dominguez & Edwards, seen as restated. Full from 70 % (Kaplan et al. 1980) to 90 % "
        "(Edwards 1988); 0 when saturated: reasoning. Feed 0.75 and 1.25, stock 1.60 kg/m2: Ndegwa, Thompson "
        "& Das 2000; feed 0.5: bulletins for beginners, from memory. Crowded 5, full 10: Munroe, Manual of "
        "On-Farm Vermicomposting, from memory. Cocoons, hatching, young, days: a species table printed by "
        "several guides. Doubling in 75 days (45 to 150): common practice, no source."
    ),
)
"""The compost worm. Sources disagree on its best temperature: 15-20 C for breeding (Edwards 1988), 20-29 C
for weight gain (Kaplan et al. 1980), 25 C (Dominguez & Edwards). Activity and feeding follow the last."""


@overload
def temperature_response(temp_c: float, profile: WormLimits = ...) -> float: ...
@overload
def temperature_response(temp_c: Floats, profile: WormLimits = ...) -> Floats: ...
def temperature_response(temp_c: float | Floats, profile: WormLimits = EISENIA_FETIDA) -> float | Floats:
    """Share of full activity at a temperature (C), 0 to 1: the cardinal temperature curve with inflection.

    Scalar in, scalar out; array in, array out; NaN gives NaN; 0 outside the profile's limits. The smooth
    curve through minimum, optimum and maximum of Rosso, Lobry & Flandrois 1993 (J. Theor. Biol. 162,
    447-463, from memory; the equation seen in the documentation of the R package macrogrow).
    """
    t = np.asarray(temp_c, dtype=np.float64)
    low, best, high = profile.temp_min_c, profile.temp_best_c, profile.temp_max_c
    inside = (t > low) & (t < high)
    safe = np.where(inside, t, best)
    top = (safe - high) * (safe - low) ** 2
    bottom = (best - low) * ((best - low) * (safe - best) - (best - high) * (best + low - 2.0 * safe))
    share = np.where(np.isnan(t), np.nan, np.where(inside, top / bottom, 0.0))
    return share if share.ndim else float(share)


@overload
def moisture_response(pct_wb: float, profile: WormLimits = ...) -> float: ...
@overload
def moisture_response(pct_wb: Floats, profile: WormLimits = ...) -> Floats: ...
def moisture_response(pct_wb: float | Floats, profile: WormLimits = EISENIA_FETIDA) -> float | Floats:
    """Share of full activity at a moisture (per cent wet basis), 0 to 1: straight lines between the limits.

    Scalar in, scalar out; NaN gives NaN; ValueError outside 0 to 100.
    """
    m = np.asarray(within("pct_wb", np.asarray(pct_wb, dtype=np.float64), 0.0, 100.0, "% wet basis"))
    nodes = (
        profile.moist_min_pct_wb,
        profile.moist_best_low_pct_wb,
        profile.moist_best_high_pct_wb,
        profile.moist_max_pct_wb,
    )
    share = np.interp(m, nodes, (0.0, 1.0, 1.0, 0.0))
    return np.asarray(share) if m.ndim else float(share)


@overload
def ration_kg_per_day(worm_kg: float, temp_c: float, pct_wb: float, profile: WormLimits = ...) -> float: ...
@overload
def ration_kg_per_day(
    worm_kg: ArrayLike, temp_c: ArrayLike, pct_wb: ArrayLike, profile: WormLimits = ...
) -> float | Floats: ...
def ration_kg_per_day(
    worm_kg: ArrayLike, temp_c: ArrayLike, pct_wb: ArrayLike, profile: WormLimits = EISENIA_FETIDA
) -> float | Floats:
    """Feed a bin takes per day (kg, as put in): worm mass x rate x temperature and moisture response.

    Scalars, or arrays that broadcast; NaN gives NaN. ``worm_kg`` at least 0, ``pct_wb`` 0 to 100, else
    ValueError. The rate is the profile's for the best castings: 0.75 kg/kg/day for *E. fetida* (Ndegwa,
    Thompson & Das 2000, Bioresour. Technol. 71, 5-12, on biosolids). See ``ration_range_kg_per_day``.
    """
    mass = np.asarray(worm_kg, dtype=np.float64)
    if np.any(mass < 0.0):
        raise ValueError(f"worm_kg must be at least 0 kg, got {mass.min():g}")
    warmth = temperature_response(np.asarray(temp_c, dtype=np.float64), profile)
    wetness = moisture_response(np.asarray(pct_wb, dtype=np.float64), profile)
    ration = np.asarray(mass * profile.feed_kg_per_kg_day * warmth * wetness)
    return ration if ration.ndim else float(ration)


def ration_range_kg_per_day(
    worm_kg: float, temp_c: float, pct_wb: float, profile: WormLimits = EISENIA_FETIDA
) -> tuple[float, float]:
    """Least and most a bin takes per day: the beginner's rate and the one that made the most worms."""
    middle = ration_kg_per_day(worm_kg, temp_c, pct_wb, profile)
    per_rate = middle / profile.feed_kg_per_kg_day
    return per_rate * profile.feed_least_kg_per_kg_day, per_rate * profile.feed_most_kg_per_kg_day


def young_per_adult_week(profile: WormLimits = EISENIA_FETIDA) -> float:
    """Young worms an adult makes in a week at its best: cocoons x share that hatch x young per cocoon."""
    return profile.cocoons_per_adult_week * profile.hatching_share * profile.young_per_cocoon


def egg_to_adult_days(profile: WormLimits = EISENIA_FETIDA) -> tuple[float, float]:
    """Days from a laid cocoon to a mature worm (fastest, slowest)."""
    fast, slow = (hatch + grow for hatch, grow in zip(profile.hatch_days, profile.mature_days, strict=True))
    return fast, slow


@dataclass(frozen=True)
class WormForecast:
    worm_kg: float
    low_kg: float
    high_kg: float


def _activity(temp_c: float, pct_wb: float, profile: WormLimits) -> float:
    return temperature_response(temp_c, profile) * moisture_response(pct_wb, profile)


def worms_after(
    worm_kg: float,
    days: float,
    area_m2: float,
    temp_c: float,
    pct_wb: float,
    profile: WormLimits = EISENIA_FETIDA,
    fed_kg_per_day: float | None = None,
) -> WormForecast:
    """Live mass of worms after some days: logistic growth towards what area and food carry, with its range.

    Growth slows with the temperature and moisture response. The range spans the profile's slow and fast
    doubling, a carrying capacity between crowded and full, and the rates at which worms eat. Where
    ``fed_kg_per_day`` (kg, as put in) is known, no more are carried than eat it: the ration turned round.
    ``worm_kg``, ``days`` and what is fed at least 0, ``area_m2`` above 0; at worst they stay as they were.
    Source: logistic growth, Neuhauser, Hartenstein & Kaplan 1980 (Oikos 35, 93-98); that food bounds it
    likewise: common practice, no source for how soon.
    """
    if not worm_kg >= 0.0:
        raise ValueError(f"worm_kg must be at least 0 kg, got {worm_kg}")
    if not days >= 0.0:
        raise ValueError(f"days must be at least 0, got {days}")
    above(area_m2, "area_m2")
    activity = _activity(temp_c, pct_wb, profile)

    def grown(doubling_days: float, capacity_kg_m2: float, eaten_kg_per_kg_day: float) -> float:
        capacity = capacity_kg_m2 * area_m2
        if fed_kg_per_day is not None and activity > 0.0:
            capacity = min(capacity, fed_kg_per_day / (eaten_kg_per_kg_day * activity))
        capacity = max(capacity, worm_kg)
        if worm_kg == 0.0:
            return 0.0
        growth = math.exp(-math.log(2.0) / doubling_days * activity * days)
        return capacity / (1.0 + (capacity / worm_kg - 1.0) * growth)

    return WormForecast(
        grown(profile.doubling_days, profile.full_kg_m2, profile.feed_kg_per_kg_day),
        grown(profile.doubling_high_days, profile.crowded_kg_m2, profile.feed_most_kg_per_kg_day),
        grown(profile.doubling_low_days, profile.full_kg_m2, profile.feed_least_kg_per_kg_day),
    )


@dataclass(frozen=True)
class SplitAdvice:
    """Whether a bin is due for splitting; ``due_days`` until it is (0 when due, inf when it will not be)."""

    due: bool
    due_days: float
    low_days: float
    high_days: float
    density_kg_m2: float
    take_kg: float
    reason: str


def split_advice(
    worm_kg: float,
    area_m2: float,
    temp_c: float = 20.0,
    pct_wb: float = 80.0,
    profile: WormLimits = EISENIA_FETIDA,
) -> SplitAdvice:
    """When to split a bin: once it is crowded (``crowded_kg_m2``); then half the worms go (common practice).

    Growth as in ``worms_after``, with its fast and slow doubling as the range. Units and domain as there.
    """
    if not worm_kg >= 0.0:
        raise ValueError(f"worm_kg must be at least 0 kg, got {worm_kg}")
    density = worm_kg / above(area_m2, "area_m2")
    if density >= profile.crowded_kg_m2:
        reason = f"{density:.1f} kg/m2, crowded from {profile.crowded_kg_m2:g} kg/m2 on"
        return SplitAdvice(True, 0.0, 0.0, 0.0, density, 0.5 * worm_kg, reason)
    activity = _activity(temp_c, pct_wb, profile)
    if density == 0.0 or not activity > 0.0:
        reason = (
            "no worms to grow" if density == 0.0 else "too cold, hot, dry or wet for the worms to multiply"
        )
        return SplitAdvice(False, math.inf, math.inf, math.inf, density, 0.0, reason)

    def logit(kg_m2: float) -> float:
        return math.log(kg_m2 / (profile.full_kg_m2 - kg_m2))

    doublings = (logit(profile.crowded_kg_m2) - logit(density)) / math.log(2.0) / activity
    return SplitAdvice(
        False,
        doublings * profile.doubling_days,
        doublings * profile.doubling_low_days,
        doublings * profile.doubling_high_days,
        density,
        0.0,
        f"{density:.1f} kg/m2; best stocked at {profile.stock_kg_m2:g}, crowded from "
        f"{profile.crowded_kg_m2:g} kg/m2 on",
    )
