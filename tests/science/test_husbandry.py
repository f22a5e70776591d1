"""Laws that the husbandry models keep, and how they meet bad or missing data."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underlid.science.husbandry import (
    CORNERS,
    FOODS,
    breakdown_days,
    days_at_20c,
    degree_days,
    food_left_kg,
    moisture_response,
    next_pocket,
    rate_factor,
    ration_kg_per_day,
    ration_range_kg_per_day,
    ready_on,
    split_advice,
    temperature_response,
    worms_after,
)

LAWS = settings(max_examples=60, deadline=None)
KINDS = st.sampled_from(sorted(FOODS))


@LAWS
@given(st.floats(0.0, 50.0), st.floats(-30.0, 60.0), st.floats(0.0, 100.0))
def test_ration_is_never_negative_never_above_its_rate_and_within_its_range(
    worm_kg: float, temp_c: float, pct_wb: float
) -> None:
    ration = ration_kg_per_day(worm_kg, temp_c, pct_wb)
    low, high = ration_range_kg_per_day(worm_kg, temp_c, pct_wb)
    assert 0.0 <= low <= ration <= high
    assert ration <= 0.75 * worm_kg + 1e-12


@LAWS
@given(st.floats(0.1, 10.0), st.floats(5.0, 34.0), st.floats(51.0, 99.0))
def test_twice_the_worms_eat_twice_the_food(worm_kg: float, temp_c: float, pct_wb: float) -> None:
    once = ration_kg_per_day(worm_kg, temp_c, pct_wb)
    assert ration_kg_per_day(2.0 * worm_kg, temp_c, pct_wb) == pytest.approx(2.0 * once)


def test_a_scalar_gives_a_float_and_arrays_broadcast_with_nan_passing_through() -> None:
    assert type(ration_kg_per_day(1.0, 20.0, 80.0)) is float
    many = ration_kg_per_day(np.array([1.0, 2.0, 1.0]), 20.0, np.array([80.0, 80.0, math.nan]))
    assert isinstance(many, np.ndarray)
    assert many[1] == pytest.approx(2.0 * many[0])
    assert np.isnan(many).tolist() == [False, False, True]
    assert math.isnan(temperature_response(math.nan))
    assert math.isnan(moisture_response(math.nan))


@LAWS
@given(KINDS, st.floats(0.0, 10.0), st.floats(0.0, 400.0), st.floats(0.0, 400.0), st.floats(1.0, 34.0))
def test_food_only_goes_and_two_stays_equal_one(
    kind: str, kg: float, a: float, b: float, temp_c: float
) -> None:
    first = food_left_kg(kg, a, temp_c, kind)
    both = food_left_kg(kg, a + b, temp_c, kind)
    assert float(first.low_kg) <= float(first.kg) <= float(first.high_kg) <= kg + 1e-12
    assert float(both.kg) <= float(first.kg) + 1e-12
    assert float(food_left_kg(first.kg, b, temp_c, kind).kg) == pytest.approx(float(both.kg), abs=1e-9)


@LAWS
@given(KINDS, st.floats(1.0, 34.0))
def test_a_tenth_is_left_after_the_breakdown_days(kind: str, temp_c: float) -> None:
    lasts = breakdown_days(kind, temp_c)
    assert lasts.low_days <= lasts.days <= lasts.high_days
    assert float(food_left_kg(1.0, lasts.days, temp_c, kind).kg) == pytest.approx(0.1)


def test_frozen_food_stays_and_lasts_for_ever() -> None:
    assert float(food_left_kg(2.0, 90.0, -6.0).kg) == 2.0
    assert breakdown_days("leafy greens", -6.0).days == math.inf


def test_all_feedings_of_a_kind_go_in_at_once() -> None:
    left = food_left_kg([1.0, 0.5, 0.8], [2.0, 9.0, 30.0], 22.0, "leafy greens").kg
    assert left.shape == (3,)
    assert float(left[1]) == pytest.approx(float(food_left_kg(0.5, 9.0, 22.0, "leafy greens").kg))


def test_a_changing_temperature_counts_as_its_days_at_20_c() -> None:
    time = np.arange(0.0, 240.5, 0.5)
    assert days_at_20c(time, np.full(time.size, 20.0)) == pytest.approx(10.0)
    warm_half = np.where(time < 120.0, 10.0, 30.0)
    assert days_at_20c(time, warm_half) == pytest.approx(5.0 * 0.5 + 5.0 * 2.0, abs=0.05)
    holes = warm_half.copy()
    holes[30:40] = np.nan
    assert days_at_20c(time, holes) == pytest.approx(days_at_20c(time, warm_half))


@LAWS
@given(st.floats(-1e5, 1e5), st.lists(st.floats(-10.0, 34.0), min_size=2, max_size=60))
def test_degree_days_only_grow_whatever_the_origin_of_time(origin: float, temps: list[float]) -> None:
    time = np.arange(len(temps)) * 6.0
    found = degree_days(time, temps)
    assert found[0] == 0.0
    assert np.diff(found).min() >= 0.0
    assert degree_days(time + origin, temps) == pytest.approx(found, abs=1e-6)


@LAWS
@given(st.floats(6.0, 34.0), st.floats(10.0, 300.0), st.floats(-1e4, 1e4))
def test_readiness_has_its_range_and_does_not_depend_on_the_origin(
    temp: float, days: float, origin: float
) -> None:
    time = np.arange(0.0, days * 24.0, 6.0)
    ready = ready_on(time, np.full(time.size, temp))
    assert ready.low_h < ready.ready_h < ready.high_h
    assert 0.0 <= ready.share <= 1.0
    assert ready_on(time + origin, np.full(time.size, temp)).ready_h - origin == pytest.approx(
        ready.ready_h, abs=1e-3
    )


def test_past_harvests_draw_the_range_to_the_bins_own_and_narrow_it() -> None:
    time = np.arange(0.0, 24.0 * 30.0)
    temps = np.full(time.size, 20.0)
    unknown, known = ready_on(time, temps), ready_on(time, temps, [1100.0, 1200.0, 1150.0])
    assert known.need_degree_days == pytest.approx(1180.0, abs=60.0)
    assert known.high_h - known.low_h < 0.5 * (unknown.high_h - unknown.low_h)


def test_a_bin_too_cold_to_work_is_never_ready() -> None:
    time = np.arange(0.0, 24.0 * 30.0)
    assert ready_on(time, np.full(time.size, 2.0)).ready_h == math.inf


def test_a_finished_bin_was_ready_in_the_past() -> None:
    time = np.arange(0.0, 24.0 * 300.0, 3.0)
    ready = ready_on(time, np.full(time.size, 20.0))
    assert ready.share == 1.0
    assert ready.ready_h < time[-1]


@LAWS
@given(st.floats(0.05, 3.0), st.floats(0.0, 400.0), st.floats(5.0, 34.0), st.floats(51.0, 99.0))
def test_worms_grow_within_their_range_and_never_beyond_the_full_area(
    worm_kg: float, days: float, temp_c: float, pct_wb: float
) -> None:
    then = worms_after(worm_kg, days, 0.24, temp_c, pct_wb)
    assert then.low_kg - 1e-9 <= then.worm_kg <= then.high_kg + 1e-9
    assert worm_kg - 1e-9 <= then.low_kg
    assert then.high_kg <= max(2.4, worm_kg) + 1e-9


def test_split_advice_has_its_range_and_takes_half_when_due() -> None:
    early = split_advice(0.4, 0.24)
    assert not early.due
    assert 0.0 < early.low_days < early.due_days < early.high_days
    late = split_advice(1.5, 0.24)
    assert (late.due, late.due_days, late.take_kg) == (True, 0.0, 0.75)
    assert split_advice(0.4, 0.24, temp_c=2.0).due_days == math.inf
    assert split_advice(0.0, 0.24).due_days == math.inf


def test_pockets_take_turns_round_the_bin() -> None:
    fed: list[tuple[str, float]] = []
    for day in range(8):
        fed.append((next_pocket(fed, day * 72.0).pocket, day * 72.0))
    assert [pocket for pocket, _ in fed] == [*CORNERS, *CORNERS]
    assert next_pocket(fed, 600.0).rested_h == pytest.approx(600.0 - 4 * 72.0)


def test_a_pocket_with_food_left_waits() -> None:
    fed = [(corner, day * 72.0) for day, corner in enumerate(CORNERS)]
    chosen = next_pocket(
        fed, 300.0, {"front left": 0.9, "front right": 0.2, "back right": 0.3, "back left": 0.8}
    )
    assert chosen.pocket == "front right"
    assert chosen.left_kg == 0.2


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: ration_kg_per_day(-1.0, 20.0, 80.0), "worm_kg must be at least 0"),
        (lambda: ration_kg_per_day(1.0, 20.0, 101.0), "pct_wb .*100"),
        (lambda: food_left_kg(-1.0, 1.0, 20.0), "fed_kg must be at least 0"),
        (lambda: food_left_kg(1.0, -1.0, 20.0), "days must be at least 0"),
        (lambda: food_left_kg(1.0, 1.0, 20.0, "gravel"), "gravel"),
        (lambda: food_left_kg(1.0, 1.0, 90.0), "temp_c .*70"),
        (lambda: rate_factor(20.0, 0.5), "q10 must be at least 1"),
        (lambda: breakdown_days("paper", math.nan), "temp_c"),
        (lambda: degree_days([0.0, 0.0], [1.0, 2.0]), "time_h"),
        (lambda: ready_on([0.0], [20.0]), "time_h must have at least 2"),
        (lambda: ready_on([0.0, 1.0], [20.0, 20.0], [-5.0]), "past_degree_days"),
        (lambda: ready_on([0.0, 1.0], [20.0, 20.0], confidence=1.0), "confidence"),
        (lambda: worms_after(1.0, -1.0, 0.2, 20.0, 80.0), "days"),
        (lambda: worms_after(1.0, 1.0, 0.0, 20.0, 80.0), "area_m2 must be above 0"),
        (lambda: split_advice(-1.0, 0.2), "worm_kg"),
        (lambda: next_pocket([("middle", 0.0)], 1.0), "middle"),
        (lambda: next_pocket([], 1.0, pockets=()), "at least one"),
    ],
)
def test_what_a_model_cannot_take_is_refused_by_name_and_bound(call: object, says: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=says):
        call()
