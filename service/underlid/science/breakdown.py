"""How food goes: first-order decay by kind with a Q10, how long it lasts, when castings are ready."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import within
from underlid.science.series import Floats, bridged, hourly_or_given, same_length

Q10 = 2.0
"""The usual default; the compost rate factor 1.066^(T - 20) of Haug 1993 (from memory) implies 1.895."""
REFERENCE_C = 20.0
_HOTTEST_C = 35.0
_GONE_SHARE = 0.9
NO_SOURCE = "common practice, no source"


@dataclass(frozen=True)
class FoodKind:
    """Days at 20 C until nine tenths are gone: usual, and the range the pieces' size makes of it."""

    name: str
    days: float
    low_days: float
    high_days: float
    source: str

    @property
    def slow(self) -> bool:
        """Still there at the next harvest: more than six weeks."""
        return self.days > 42.0


_COUNCIL = "West Sussex Waste Prevention, The rate at which it rots"
FOODS = {
    kind.name: kind
    for kind in (
        FoodKind("kitchen scraps", 21.0, 10.0, 60.0, NO_SOURCE),
        FoodKind("soft fruit and vegetables", 12.0, 7.0, 21.0, NO_SOURCE),
        FoodKind("leafy greens", 10.0, 5.0, 20.0, NO_SOURCE),
        FoodKind("hard vegetables", 30.0, 14.0, 60.0, NO_SOURCE),
        FoodKind("bread and grains", 14.0, 7.0, 30.0, NO_SOURCE),
        FoodKind("coffee grounds", 30.0, 14.0, 60.0, NO_SOURCE),
        FoodKind("banana peel", 25.0, 21.0, 28.0, f"3 to 4 weeks ({_COUNCIL})"),
        FoodKind("citrus peel", 35.0, 14.0, 180.0, f"2 to 5 weeks ({_COUNCIL}); to six months: {NO_SOURCE}"),
        FoodKind("apple core", 60.0, 40.0, 80.0, f"2 months ({_COUNCIL}); range: {NO_SOURCE}"),
        FoodKind("paper", 28.0, 14.0, 40.0, f"2 to 4 weeks, a bag 1 month ({_COUNCIL})"),
        FoodKind("cardboard", 60.0, 40.0, 120.0, f"2 months ({_COUNCIL}); range: {NO_SOURCE}"),
        FoodKind("corn cob", 180.0, 90.0, 540.0, NO_SOURCE),
        FoodKind("fruit stone", 540.0, 365.0, 1500.0, f"over a year ({_COUNCIL}); range: {NO_SOURCE}"),
        FoodKind("eggshell", 540.0, 365.0, 1500.0, f"over a year ({_COUNCIL}); range: {NO_SOURCE}"),
    )
}
"""Rules of thumb, for cut pieces in an active bin (the council's are for a compost heap)."""


def food_kind(food: str | FoodKind) -> FoodKind:
    if isinstance(food, FoodKind):
        return food
    if food not in FOODS:
        raise ValueError(f"food must be one of {', '.join(FOODS)}, got {food!r}")
    return FOODS[food]


def rate_factor(temp_c: ArrayLike, q10: float = Q10) -> Floats:
    """Decay rate relative to that at 20 C: Q10^((T - 20)/10); 0 when frozen, level above 35 C.

    Array of the shape of ``temp_c``; NaN gives NaN; ValueError outside -40 to 70 C.
    """
    if not q10 >= 1.0:
        raise ValueError(f"q10 must be at least 1, got {q10}")
    t = np.asarray(within("temp_c", np.asarray(temp_c, dtype=np.float64), -40.0, 70.0, "C"))
    factor = q10 ** ((np.minimum(t, _HOTTEST_C) - REFERENCE_C) / 10.0)
    return np.asarray(np.where(t <= 0.0, 0.0, factor))


def days_at_20c(time_h: ArrayLike, temp_c: ArrayLike, q10: float = Q10) -> float:
    """Days at 20 C that would have done the same as this temperature history (trapezoid rule).

    ``time_h``, ``temp_c`` (n,): rising times, NaN bridged. 0 for a single value.
    """
    time = np.asarray(time_h, dtype=np.float64)
    time = hourly_or_given(time, time.size)
    temp = bridged(time, same_length(temp_c, time.size, "temp_c"), "temp_c")
    return float(np.trapezoid(rate_factor(temp, q10), time)) / 24.0


@dataclass(frozen=True)
class FoodLeft:
    kg: Floats
    low_kg: Floats
    high_kg: Floats


def food_left_kg(
    fed_kg: ArrayLike,
    days: ArrayLike,
    temp_c: ArrayLike,
    food: str | FoodKind = "kitchen scraps",
    q10: float = Q10,
) -> FoodLeft:
    """Food of one kind still uneaten: fed exp(-k t), k by kind at 20 C and Q10 (first order).

    ``fed_kg``, ``days`` since it was fed, ``temp_c`` (mean since then) broadcast, so all feedings of a kind
    go in at once; NaN gives NaN. The range is that of the kind's days. For a changing temperature give
    ``days_at_20c`` and 20 C. ValueError for a negative mass or age.
    """
    kind = food_kind(food)
    mass, age = np.asarray(fed_kg, dtype=np.float64), np.asarray(days, dtype=np.float64)
    for name, value in (("fed_kg", mass), ("days", age)):
        if np.any(value < 0.0):
            raise ValueError(f"{name} must be at least 0, got {value.min():g}")
    spent = age * rate_factor(temp_c, q10) * math.log(1.0 - _GONE_SHARE)
    middle, low, high = (
        np.asarray(mass * np.exp(spent / d)) for d in (kind.days, kind.low_days, kind.high_days)
    )
    return FoodLeft(middle, low, high)


@dataclass(frozen=True)
class Breakdown:
    """Days until nine tenths are gone, its range, whether the kind counts as slow, and whose rule it is."""

    days: float
    low_days: float
    high_days: float
    slow: bool
    source: str


def breakdown_days(food: str | FoodKind, temp_c: float, q10: float = Q10) -> Breakdown:
    """How long a food lasts at a temperature; inf when frozen. Domain as in ``rate_factor``."""
    kind = food_kind(food)
    factor = float(rate_factor(temp_c, q10))
    if math.isnan(factor):
        raise ValueError("temp_c must be a number from -40 to 70 C, got nan")
    days, low, high = (
        d / factor if factor > 0.0 else math.inf for d in (kind.days, kind.low_days, kind.high_days)
    )
    return Breakdown(days, low, high, kind.slow, kind.source)


READY_BASE_C = 4.0
READY_LOW_DEGREE_DAYS, READY_HIGH_DEGREE_DAYS = 960.0, 2880.0
"""Two to six months at 20 C over a base of 4 C (extension bulletins, from memory); the 100 days of Garg,
Gupta & Satya 2006 (Bioresour. Technol. 97, 391-395) at 20 C lie at 1600, 45 to 60 days at 20 to 25 C
(Kauser & Khwairakpam 2022) near the low end."""
_WITHIN_BIN_LOG_SD = 0.2
_HOT_C = 35.0


def degree_days(time_h: ArrayLike, temp_c: ArrayLike, base_c: float = READY_BASE_C) -> Floats:
    """Degree-days (K d) above ``base_c`` accumulated at each time, from 0 at the first.

    ``time_h``, ``temp_c`` (n,): rising times, uneven; NaN bridged. Trapezoid rule on what lies above the
    base; more than 35 C counts as 35.
    """
    time = np.asarray(time_h, dtype=np.float64)
    time = hourly_or_given(time, time.size)
    temp = bridged(time, same_length(temp_c, time.size, "temp_c"), "temp_c")
    over = np.clip(temp, base_c, max(_HOT_C, base_c)) - base_c
    pieces = 0.5 * (over[1:] + over[:-1]) * np.diff(time) / 24.0
    return np.concatenate([[0.0], np.cumsum(pieces)])


@dataclass(frozen=True)
class Ready:
    """When castings are ready, in the caller's hours, with an interval; ``share`` done so far (0 to 1).

    inf: not at the present temperature. ``degree_days`` gathered, ``need_degree_days`` expected in all.
    """

    ready_h: float
    low_h: float
    high_h: float
    share: float
    degree_days: float
    need_degree_days: float


def ready_on(
    time_h: ArrayLike,
    temp_c: ArrayLike,
    past_degree_days: Sequence[float] = (),
    confidence: float = 0.8,
    base_c: float = READY_BASE_C,
) -> Ready:
    """When the bin will be ready for harvest, from the temperatures since it was started (or last emptied).

    ``time_h``, ``temp_c`` (n >= 2): its history, NaN bridged. ``past_degree_days``: what this bin's earlier
    harvests took; each draws the published range (960 to 2880, log-normal) to the bin's own, whose
    harvests are taken to scatter by 20 per cent (common practice, no source). From the last time on the
    mean of the last seven days continues. ValueError if a past value is not above 0.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must be above 0 and below 1, got {confidence}")
    past = np.asarray(past_degree_days, dtype=np.float64)
    if np.any(~(past > 0.0)):
        raise ValueError("past_degree_days must all be above 0")
    time = np.asarray(time_h, dtype=np.float64)
    if time.size < 2:
        raise ValueError("time_h must have at least 2 values")
    done = degree_days(time, temp_c, base_c)
    centre = 0.5 * (math.log(READY_LOW_DEGREE_DAYS) + math.log(READY_HIGH_DEGREE_DAYS))
    prior_sd = (math.log(READY_HIGH_DEGREE_DAYS) - centre) / NormalDist().inv_cdf(0.9)
    weight = past.size / _WITHIN_BIN_LOG_SD**2
    precision = 1.0 / prior_sd**2 + weight
    mean = (centre / prior_sd**2 + float(np.log(past).sum()) / _WITHIN_BIN_LOG_SD**2) / precision
    spread = math.sqrt(1.0 / precision + (_WITHIN_BIN_LOG_SD**2 if past.size else 0.0))
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    needs = [math.exp(mean + s * z * spread) for s in (0.0, -1.0, 1.0)]
    week_ago = max(time[0], time[-1] - 168.0)
    rate = (done[-1] - float(np.interp(week_ago, time, done))) / (time[-1] - week_ago)

    def at(need: float) -> float:
        if done[-1] >= need:
            return float(np.interp(need, done, time))
        return float(time[-1] + (need - done[-1]) / rate) if rate > 0.0 else math.inf

    return Ready(
        at(needs[0]),
        at(needs[1]),
        at(needs[2]),
        min(1.0, float(done[-1]) / needs[0]),
        float(done[-1]),
        needs[0],
    )
