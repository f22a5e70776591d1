"""Husbandry: what other code calls, in one place.

Worms (responses, ration, growth, splitting) are in ``worms``, food and harvest in ``breakdown``, the turn of
the feeding pockets in ``pockets``.
"""

from __future__ import annotations

from underlid.science.breakdown import (
    FOODS,
    Breakdown,
    FoodKind,
    FoodLeft,
    Ready,
    breakdown_days,
    days_at_20c,
    degree_days,
    food_left_kg,
    rate_factor,
    ready_on,
)
from underlid.science.pockets import CORNERS, NextPocket, next_pocket
from underlid.science.worms import (
    EISENIA_FETIDA,
    SplitAdvice,
    WormForecast,
    WormLimits,
    egg_to_adult_days,
    moisture_response,
    ration_kg_per_day,
    ration_range_kg_per_day,
    split_advice,
    temperature_response,
    worms_after,
    young_per_adult_week,
)

__all__ = [
    "CORNERS",
    "EISENIA_FETIDA",
    "FOODS",
    "Breakdown",
    "FoodKind",
    "FoodLeft",
    "NextPocket",
    "Ready",
    "SplitAdvice",
    "WormForecast",
    "WormLimits",
    "breakdown_days",
    "days_at_20c",
    "degree_days",
    "egg_to_adult_days",
    "food_left_kg",
    "moisture_response",
    "next_pocket",
    "rate_factor",
    "ration_kg_per_day",
    "ration_range_kg_per_day",
    "ready_on",
    "split_advice",
    "temperature_response",
    "worms_after",
    "young_per_adult_week",
]
