"""What is in a bin by its log and its temperatures: worms, food not yet eaten, castings. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underlid.model import Bin, LogEntry, Series
from underlid.reports.bedding import DAY_MS, HOUR_MS
from underlid.science.husbandry import (
    FOODS,
    FoodLeft,
    Ready,
    WormForecast,
    days_at_20c,
    food_left_kg,
    rate_factor,
    ready_on,
    worms_after,
)

FED_LATELY_DAYS = 56  # of which the mean is what a bin is fed (common practice, no source)
LEAST_FEEDINGS = 4  # with fewer in the log, nobody can say what it is fed
FOOD_BACK_DAYS = 120  # of what was fed before, next to nothing is left
HISTORY_DAYS = (
    180  # of temperatures that are looked at; castings that were begun earlier are ready, if it was warm
)
NEVER_MEASURED_PCT_WB = 80.0  # moisture where no probe tells it
_BED_C = (-40.0, 70.0)  # the models' domain
# What keepers call things, by the first word that fits; anything else counts as kitchen scraps.
_NAMED = (
    ("coffee", "coffee grounds"),
    ("banana", "banana peel"),
    ("citrus", "citrus peel"),
    ("bread", "bread and grains"),
    ("lettuce", "leafy greens"),
    ("greens", "leafy greens"),
    ("cardboard", "cardboard"),
    ("paper", "paper"),
    ("eggshell", "eggshell"),
    ("apple core", "apple core"),
    ("carrot", "hard vegetables"),
)


@dataclass(frozen=True, slots=True)
class Worms:
    """Their mass when it was last told, by the log or else as it was given for the bin, and what they grew to."""

    told_kg: float
    told_ms: int
    by_log: bool
    how: str  # weighed, guessed, as the keeper wrote; '' where nothing was
    now: WormForecast
    fed_kg_per_day: float | None  # lately; no more worms are there than that keeps


def worms(bin_: Bin, log: Sequence[LogEntry], course: Series, now_ms: int, pct_wb: float) -> Worms:
    """The bin's worms, by its log up to now, grown at the mean temperature since and by what they were fed.

    As told where no temperature is known.
    """
    entries = [
        e
        for e in log
        if e.kind == "worms" and e.amount_kg is not None and bin_.started_ms <= e.at_ms <= now_ms
    ]
    told = max(entries, key=lambda e: (e.at_ms, e.id), default=None)
    kg, at_ms = (told.amount_kg or 0.0, told.at_ms) if told is not None else (bin_.worm_kg, bin_.started_ms)
    now, fed = WormForecast(kg, kg, kg), _fed_kg_per_day(bin_, log, now_ms)
    if len(course) and now_ms > at_ms:
        time, temp_c = _history(course, at_ms, now_ms)
        mean_c = float(np.trapezoid(temp_c, time)) / (now_ms - at_ms)
        area_m2 = bin_.length_m * bin_.width_m
        now = worms_after(kg, (now_ms - at_ms) / DAY_MS, area_m2, mean_c, pct_wb, fed_kg_per_day=fed)
    return Worms(kg, at_ms, told is not None, told.what if told is not None else "", now, fed)


def _fed_kg_per_day(bin_: Bin, log: Sequence[LogEntry], now_ms: int) -> float | None:
    """What the bin was fed in the last weeks, by the log; None where the log does not tell."""
    from_ms = max(bin_.started_ms, now_ms - FED_LATELY_DAYS * DAY_MS)
    fed = [e.amount_kg for e in log if e.kind == "fed" and e.amount_kg and from_ms <= e.at_ms <= now_ms]
    return sum(fed) / ((now_ms - from_ms) / DAY_MS) if len(fed) >= LEAST_FEEDINGS else None


def food_kind(what: str) -> str:
    """The kind of food that a log entry's words mean, by a name of the breakdown model."""
    said = what.lower()
    if exact := next((name for name in FOODS if name in said), None):
        return exact
    return next((kind for word, kind in _NAMED if word in said), "kitchen scraps")


def food_left(
    fed: LogEntry, course: Series, to_ms: int, week_ahead_c: float | None = None
) -> FoodLeft | None:
    """What is left of a feeding; None where its mass or the bed's temperature is not known.

    `week_ahead_c`: a week later, at that temperature.
    """
    if fed.amount_kg is None or not len(course):
        return None
    time, temp_c = _history(course, fed.at_ms, max(to_ms, fed.at_ms + 1))
    days = days_at_20c((time - fed.at_ms) / HOUR_MS, temp_c)
    if week_ahead_c is not None:
        days += 7.0 * float(rate_factor(week_ahead_c))
    return food_left_kg(fed.amount_kg, days, 20.0, food_kind(fed.what))


def begun_ms(bin_: Bin, log: Sequence[LogEntry], now_ms: int) -> int:
    """When a bin was started, or harvested last."""
    return max([bin_.started_ms, *(e.at_ms for e in log if e.kind == "harvest" and e.at_ms <= now_ms)])


def history_from_ms(begun_ms: int, now_ms: int) -> int:
    """From when on temperatures are looked at: for the food that may be left, and since the bin was begun."""
    return max(min(begun_ms, now_ms - FOOD_BACK_DAYS * DAY_MS), now_ms - HISTORY_DAYS * DAY_MS)


def ready(course: Series, begun_ms: int, now_ms: int) -> Ready | None:
    """Castings since a bin was begun, in hours from then; None within its first day, or with no temperature."""
    if now_ms - begun_ms < DAY_MS or not len(course):
        return None
    time, temp_c = _history(course, begun_ms, now_ms)
    return ready_on((time - begun_ms) / HOUR_MS, temp_c)


def _history(course: Series, from_ms: int, to_ms: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Times and temperatures over a span; days before the first known one are taken as the mean of the known."""
    known = course.since(from_ms).until(to_ms)
    if len(known) < 2 or known.time_ms[0] <= from_ms + DAY_MS:
        time = np.unique(np.concatenate([[from_ms], known.time_ms, [to_ms]]))
        return time, np.clip(np.interp(time, course.time_ms, course.value), *_BED_C)
    first_ms, last_ms = int(known.time_ms[0]), int(known.time_ms[-1])
    mean_c = float(np.trapezoid(known.value, known.time_ms)) / (last_ms - first_ms)
    time = np.unique(np.concatenate([[from_ms, first_ms - 1], known.time_ms, [to_ms]]))
    return time, np.clip(np.interp(time, known.time_ms, known.value, left=mean_c), *_BED_C)
