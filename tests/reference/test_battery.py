"""Hours to empty: straight lines worked by hand, and a lithium-ion cell's curve as it is usually drawn."""

import numpy as np
import pytest

from underlid.science.battery import hours_to_empty

EMPTY_V, RECHARGE_V = 3.3, 0.1


@pytest.mark.parametrize(
    ("start_v", "per_day_v", "days", "left_days"),
    [(4.1, 0.02, 10, 30.0), (3.9, 0.01, 28, 32.0), (3.5, 0.1, 2.5, -0.5)],
)
def test_a_steady_discharge_ends_where_the_line_meets_the_empty_level(
    start_v: float, per_day_v: float, days: float, left_days: float
) -> None:
    # (start - per_day * days - empty) / per_day; never less than none.
    time_h = np.arange(0.0, days * 24 + 1, 3.0)
    rng = np.random.default_rng(3)
    level = start_v - per_day_v * time_h / 24 + rng.normal(0, 0.004, time_h.size)
    left = hours_to_empty(time_h, level, EMPTY_V, RECHARGE_V)
    assert left is not None
    assert left == pytest.approx(max(left_days, 0.0) * 24, rel=0.08)


def test_only_what_came_after_the_last_charge_counts() -> None:
    time_h = np.arange(0.0, 20 * 24 + 1, 3.0)
    level = np.where(time_h < 240, 4.0 - 0.06 * time_h / 24, 4.1 - 0.02 * (time_h - 240) / 24)
    # 0.02 V a day for ten days from 4.1 V is 3.9 V; the 0.6 V above empty last 30 days.
    assert hours_to_empty(time_h, level, EMPTY_V, RECHARGE_V) == pytest.approx(30 * 24, rel=0.01)


@pytest.mark.parametrize("level_v", [3.9, 4.2])
def test_a_battery_that_does_not_surely_fall_has_no_end(level_v: float) -> None:
    time_h = np.arange(0.0, 10 * 24, 3.0)
    # A day's warmth alone, as of a cell on a sunny wall.
    sunny = level_v + 0.03 * np.sin(time_h / 24 * 2 * np.pi)
    assert hours_to_empty(time_h, sunny, EMPTY_V, RECHARGE_V) is None
    assert hours_to_empty(time_h, np.full(time_h.size, level_v), EMPTY_V, RECHARGE_V) is None


def test_a_day_of_readings_and_none_say_nothing() -> None:
    time_h = np.arange(0.0, 24.0, 1.0)
    assert hours_to_empty(time_h, 4.0 - 0.01 * time_h, EMPTY_V, RECHARGE_V) is None
    assert hours_to_empty([], [], EMPTY_V, RECHARGE_V) is None


def test_a_lithium_cell_is_told_too_long_on_its_plateau_and_right_at_its_end() -> None:
    """Open-circuit voltage over charge of a lithium-ion cell (from memory, after published discharge curves)."""
    charge = [0.03, 0.08, 0.2, 0.4, 0.6, 0.8, 1.0]
    volts = [3.3, 3.5, 3.68, 3.76, 3.87, 4.02, 4.18]
    life_h = 60 * 24.0
    time_h = np.arange(0.0, life_h, 3.0)
    level = np.interp(1.0 - 0.97 * time_h / life_h, charge, volts)
    over = {}
    for day in (20, 40, 50, 57, 59):
        seen = (time_h <= day * 24) & (time_h >= (day - 30) * 24)
        left = hours_to_empty(time_h[seen], level[seen], EMPTY_V, RECHARGE_V)
        assert left is not None
        over[day] = left / 24 - (60 - day)
    # The knee begins three days before the end, and no line knows of it before.
    assert all(days > 0.0 for days in over.values())
    assert over[59] < 2.0
    assert over[59] < over[57] < over[50]
