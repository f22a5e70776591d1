"""Freezing of feed and bins: what other code calls, in one place.

Food properties (Choi and Okos) are in ``food``, Plank's time in ``plank``, the enthalpy model in ``enthalpy``,
shapes in ``geometry``, tubs in ``tubs``, the state of a tub in ``feed_state`` (its probe in ``plateau``),
outdoor bins in ``bin_freezing``, the forecast of outdoor temperature in ``outdoor``.
"""

from __future__ import annotations

from underlid.science.bin_freezing import (
    FreezingEta,
    TimeConstant,
    bin_time_constant,
    hours_to_freezing,
    hours_to_freezing_interval,
)
from underlid.science.feed_state import FreezingState, TubCourse, course_by_air, freezing_state
from underlid.science.food import KITCHEN_SCRAPS, Composition, FoodProperties, food_properties
from underlid.science.geometry import Geometry, tub
from underlid.science.outdoor import OutdoorForecast, outdoor_forecast
from underlid.science.plank import plank_time_h
from underlid.science.tubs import (
    COLD_CAUTION,
    HARD_FROZEN_C,
    FreezeThrough,
    freeze_through_h,
    thaw_h,
)

__all__ = [
    "COLD_CAUTION",
    "HARD_FROZEN_C",
    "KITCHEN_SCRAPS",
    "Composition",
    "FoodProperties",
    "FreezeThrough",
    "FreezingEta",
    "FreezingState",
    "Geometry",
    "OutdoorForecast",
    "TimeConstant",
    "TubCourse",
    "bin_time_constant",
    "course_by_air",
    "food_properties",
    "freeze_through_h",
    "freezing_state",
    "hours_to_freezing",
    "hours_to_freezing_interval",
    "outdoor_forecast",
    "plank_time_h",
    "thaw_h",
    "tub",
]
