"""Laws that the freezing models keep, and how they meet bad or missing data."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underlid.science.bin_freezing import TimeConstant
from underlid.science.freezing import (
    KITCHEN_SCRAPS,
    Composition,
    Geometry,
    bin_time_constant,
    food_properties,
    freeze_through_h,
    freezing_state,
    hours_to_freezing,
    hours_to_freezing_interval,
    outdoor_forecast,
    plank_time_h,
    thaw_h,
    tub,
)

SHAPES = st.sampled_from(["slab", "cylinder", "sphere"])
SIZES = st.floats(0.05, 0.6)
SURFACES = st.floats(2.0, 40.0)
WEATHER = st.lists(st.floats(-30.0, 25.0), min_size=3, max_size=60)
LAWS = settings(max_examples=40, deadline=None)


@LAWS
@given(SHAPES, SIZES, SURFACES, st.floats(-35.0, 30.0), WEATHER)
def test_frozen_fraction_stays_between_0_and_1(
    shape: str, size: float, surface: float, start: float, weather: list[float]
) -> None:
    run = freeze_through_h(Geometry(shape, size), KITCHEN_SCRAPS, start, weather, surface)  # type: ignore[arg-type]
    assert run.frozen_fraction.min() >= 0.0
    assert run.frozen_fraction.max() <= 1.0


@LAWS
@given(SHAPES, SIZES, SURFACES, st.floats(-0.5, 25.0), st.floats(-35.0, -1.0))
def test_steady_cold_only_ever_adds_ice_and_never_undershoots(
    shape: str, size: float, surface: float, start: float, cold: float
) -> None:
    run = freeze_through_h(
        Geometry(shape, size),  # type: ignore[arg-type]
        KITCHEN_SCRAPS,
        start,
        np.full(80, cold),
        surface,
    )
    assert np.diff(run.frozen_fraction).min() >= -1e-9
    assert np.diff(run.core_c).max() <= 0.03
    assert run.core_c.min() >= cold - 0.03


@LAWS
@given(SHAPES, SIZES, SURFACES, st.floats(-30.0, 30.0), WEATHER)
def test_heat_out_is_the_enthalpy_lost(
    shape: str, size: float, surface: float, start: float, weather: list[float]
) -> None:
    run = freeze_through_h(Geometry(shape, size), KITCHEN_SCRAPS, start, weather, surface)  # type: ignore[arg-type]
    lost = run.enthalpy_kj_kg[0] - run.enthalpy_kj_kg
    assert run.heat_out_kj_kg == pytest.approx(lost, abs=1e-6)


@LAWS
@given(st.floats(-1e5, 1e5), WEATHER)
def test_freezing_does_not_depend_on_the_origin_of_time(origin: float, weather: list[float]) -> None:
    time = np.arange(len(weather)) * 2.0
    here = freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 3.0, weather, 12.0, time)
    there = freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 3.0, weather, 12.0, time + origin)
    assert there.frozen_fraction == pytest.approx(here.frozen_fraction, abs=1e-6)
    assert there.core_c == pytest.approx(here.core_c, abs=1e-5)


@settings(max_examples=12, deadline=None)
@given(st.floats(-20.0, -3.0), st.floats(5.0, 25.0), st.floats(0.1, 0.4))
def test_more_wind_or_less_insulation_freezes_sooner(cold: float, surface: float, size: float) -> None:
    outdoor = np.full(200, cold)
    slow = freeze_through_h(tub(size, size, insulation_m=0.02), KITCHEN_SCRAPS, 4.0, outdoor, surface)
    plain = freeze_through_h(tub(size, size), KITCHEN_SCRAPS, 4.0, outdoor, surface)
    windy = freeze_through_h(tub(size, size), KITCHEN_SCRAPS, 4.0, outdoor, 1.5 * surface)
    assert windy.frozen_through_h <= plain.frozen_through_h <= slow.frozen_through_h


@LAWS
@given(WEATHER, st.floats(0.1, 0.5), SURFACES)
def test_the_interval_holds_the_estimate(weather: list[float], size: float, surface: float) -> None:
    run = freeze_through_h(tub(size, size), KITCHEN_SCRAPS, 1.0, weather, surface)
    assert run.low_h <= run.frozen_through_h <= run.high_h


def test_a_tub_in_mild_weather_never_freezes_through() -> None:
    run = freeze_through_h(tub(0.3, 0.3), KITCHEN_SCRAPS, 8.0, np.full(100, 4.0), 10.0, outdoor_sd_c=0.5)
    assert (run.frozen_through_h, run.high_h, run.thawed_h) == (math.inf, math.inf, math.inf)
    assert run.frozen_fraction.max() == 0.0


def test_a_tub_that_froze_through_and_thawed_says_when() -> None:
    outdoor = np.concatenate([np.full(60, -12.0), np.full(120, 12.0)])
    run = freeze_through_h(tub(0.15, 0.15), KITCHEN_SCRAPS, 3.0, outdoor, 15.0)
    assert run.frozen_through_h < 60.0 < run.thawed_h < 180.0
    assert run.thaw_times_h == (run.thawed_h,)
    after = np.searchsorted(run.time_h, run.thawed_h)
    assert run.frozen_fraction[after:].max() < 0.01


def test_hours_below_minus_18_are_counted_at_the_core_not_in_the_air() -> None:
    outdoor = np.concatenate([np.full(100, -30.0), np.full(60, -5.0)])
    run = freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 2.0, outdoor, 15.0)
    below = int((run.core_c <= -18.0).sum())
    assert 0 < below < 100
    assert run.hard_frozen_h == pytest.approx(below, abs=1.5)
    assert run.hard_frozen_total_h == pytest.approx(run.hard_frozen_h)


def test_holes_in_the_outdoor_series_are_bridged() -> None:
    whole = np.linspace(2.0, -14.0, 100)
    holes = whole.copy()
    holes[[3, 4, 5, 40, 41, 42, 43, 80]] = np.nan
    a = freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 3.0, whole, 12.0)
    b = freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 3.0, holes, 12.0)
    assert b.frozen_fraction == pytest.approx(a.frozen_fraction, abs=1e-9)


def test_thawing_in_a_warmer_room_is_quicker_and_has_its_range() -> None:
    cool = thaw_h(tub(0.25, 0.25), KITCHEN_SCRAPS, -8.0, 8.0, 8.0)
    warm = thaw_h(tub(0.25, 0.25), KITCHEN_SCRAPS, -8.0, 20.0, 8.0)
    assert warm[0] < cool[0]
    assert warm[1] < warm[0] < warm[2]


def test_the_step_of_the_series_hardly_matters() -> None:
    fine = np.arange(0.0, 150.0, 0.1)
    coarse = fine[::10]
    weather = -8.0 + 5.0 * np.sin(fine / 4.0)
    a = freeze_through_h(tub(0.2, 0.25), KITCHEN_SCRAPS, 5.0, weather, 12.0, fine)
    b = freeze_through_h(tub(0.2, 0.25), KITCHEN_SCRAPS, 5.0, weather[::10], 12.0, coarse)
    assert b.frozen_through_h == pytest.approx(a.frozen_through_h, rel=0.03)


@LAWS
@given(st.floats(0.5, 0.97), st.floats(-2.0, -0.1), st.floats(-39.0, 30.0))
def test_ice_and_properties_stay_physical(water: float, point: float, temp: float) -> None:
    food = Composition(water=water, carbohydrate=1.0 - water, void_fraction=0.3, freezing_c=point)
    found = food_properties(food, temp)
    assert 0.0 <= float(found.ice_fraction) <= water
    assert 0.024 < float(found.conductivity_w_mk) < 2.5
    assert 1.0 < float(found.specific_heat_kj_kgk) < 4.3
    assert 300.0 < float(found.density_kg_m3) < 1600.0


def test_nan_temperatures_give_nan_properties() -> None:
    found = food_properties(KITCHEN_SCRAPS, np.array([5.0, math.nan]))
    for values in (
        found.density_kg_m3,
        found.specific_heat_kj_kgk,
        found.conductivity_w_mk,
        found.ice_fraction,
    ):
        assert np.isnan(values).tolist() == [False, True]


# State of a tub


def freeze_and_thaw(point: float = -0.8, noise: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """Cools in a day, holds at its freezing point for two, goes down to -9, comes back up to 8."""
    knots = [
        (0, 6.0),
        (24, point + 0.1),
        (72, point - 0.1),
        (96, -9.0),
        (150, -9.0),
        (170, point),
        (200, point + 0.2),
    ]
    hours, temps = zip(*knots, (230, 8.0), strict=True)
    time = np.arange(0.0, 230.0, 0.5)
    return time, np.interp(time, hours, temps) + np.random.default_rng(1).normal(0.0, noise, time.size)


@pytest.mark.parametrize("point", [-1.3, -0.8, -0.4])
@pytest.mark.parametrize(
    ("until", "state"),
    [
        (15.0, "unfrozen"),
        (60.0, "freezing"),
        (130.0, "frozen through"),
        (190.0, "thawing"),
        (229.0, "thawed"),
    ],
)
def test_the_probe_alone_tells_every_state_whatever_its_offset(
    point: float, until: float, state: str
) -> None:
    time, feed = freeze_and_thaw(point)
    now = time <= until
    found = freezing_state(time[now], feed[now])
    assert found.state == state
    assert found.source == "probe"
    assert found.since_h <= until


def test_the_plateau_is_the_tubs_own_freezing_point() -> None:
    time, feed = freeze_and_thaw(-1.3)
    now = time <= 90.0
    assert freezing_state(time[now], feed[now]).plateau_c == pytest.approx(-1.3, abs=0.2)


def test_feed_at_rest_with_air_at_its_own_temperature_shows_no_plateau() -> None:
    time = np.arange(0.0, 60.0, 0.5)
    feed = 0.0 + 6.0 * np.exp(-time / 8.0)
    assert math.isfinite(freezing_state(time, feed).plateau_c)
    still = freezing_state(time, feed, np.zeros(time.size))
    assert math.isnan(still.plateau_c)
    assert still.state == "unfrozen"


def test_spikes_and_single_missing_readings_change_nothing() -> None:
    time, feed = freeze_and_thaw()
    clean = freezing_state(time[:300], feed[:300])
    feed[[20, 100, 250]] = (85.0, -55.0, 40.0)
    feed[[30, 31, 140, 260]] = np.nan
    dirty = freezing_state(time[:300], feed[:300])
    assert (dirty.state, clean.state) == ("frozen through", "frozen through")
    assert dirty.since_h == pytest.approx(clean.since_h, abs=1.0)


@LAWS
@given(st.floats(-1e5, 1e5))
def test_the_state_does_not_depend_on_the_origin_of_time(origin: float) -> None:
    time, feed = freeze_and_thaw()
    here, there = freezing_state(time, feed), freezing_state(time + origin, feed)
    assert there.state == here.state
    assert there.since_h - origin == pytest.approx(here.since_h, abs=1e-6)


def test_a_temperature_that_hovers_at_a_limit_does_not_flap() -> None:
    time = np.arange(0.0, 80.0, 0.5)
    feed = -1.6 + 0.15 * np.sin(time)
    feed[:20] = np.linspace(5.0, -1.6, 20)
    states = [freezing_state(time[:n], feed[:n]).state for n in range(60, 160)]
    assert sum(a != b for a, b in pairwise(states)) <= 1


def test_a_hole_of_hours_in_the_readings_does_not_count_as_hard_frozen() -> None:
    time = np.concatenate([np.arange(0.0, 10.0, 0.5), np.arange(40.0, 50.0, 0.5)])
    assert freezing_state(time, np.full(time.size, -20.0)).hard_frozen_h == pytest.approx(9.5, abs=0.6)


def test_a_silent_probe_without_a_model_means_unknown() -> None:
    time = np.arange(0.0, 40.0, 0.5)
    feed = np.where(time < 20.0, 4.0, np.nan)
    assert freezing_state(time, feed).state == "unknown"
    assert freezing_state(time, np.full(time.size, np.nan)).source == "none"


def test_the_model_carries_on_when_the_probe_falls_silent() -> None:
    time = np.arange(0.0, 200.0, 0.5)
    outdoor = np.full(time.size, -10.0)
    core = np.asarray(freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 5.0, outdoor, 14.0, time).core_c)
    feed = np.where(time < 70.0, core, np.nan)
    found = freezing_state(time, feed, outdoor, tub(0.2, 0.2), surface_w_m2k=10.0)
    assert found.source == "probe and model"
    assert found.state == "frozen through"
    assert found.surface_w_m2k == pytest.approx(14.0, rel=0.07)
    assert "silent" in found.reason


def test_without_a_probe_the_outdoor_air_and_the_model_tell() -> None:
    time = np.arange(0.0, 240.0)
    outdoor = np.where(time < 24.0, 4.0, np.where(time < 140.0, -12.0, 9.0))
    told = [freezing_state(time[:n], None, outdoor[:n], tub(0.2, 0.2)) for n in (24, 38, 140, 160, 240)]
    assert [t.state for t in told] == ["unfrozen", "freezing", "frozen through", "thawing", "thawed"]
    assert {t.source for t in told} == {"model"}


def test_a_probe_that_hangs_in_the_air_is_not_believed() -> None:
    time = np.arange(0.0, 120.0, 0.5)
    outdoor = -6.0 + 8.0 * np.sin(2.0 * np.pi * time / 24.0)
    found = freezing_state(time, outdoor + 0.2, outdoor, tub(0.4, 0.4), start_c=5.0)
    assert found.source == "model"
    assert found.agree is False
    assert "air" in found.reason


def test_a_probe_against_the_model_is_believed_and_said_to_differ() -> None:
    time = np.arange(0.0, 150.0, 0.5)
    found = freezing_state(time, np.full(time.size, 6.0), np.full(time.size, -15.0), tub(0.15, 0.15))
    assert found.state == "unfrozen"
    assert found.agree is False


# Bins and forecasts


@LAWS
@given(st.floats(0.5, 20.0), st.floats(2.0, 100.0), st.floats(-1e4, 1e4))
def test_hours_to_freezing_depend_neither_on_origin_nor_on_the_scale(
    bin_c: float, tau: float, origin: float
) -> None:
    time = np.arange(0.0, 60.0)
    outdoor = -8.0 + 5.0 * np.cos(time / 4.0)
    here = hours_to_freezing(bin_c, outdoor, tau, 0.0, time)
    assert hours_to_freezing(bin_c, outdoor, tau, 0.0, time + origin) == pytest.approx(here, abs=1e-4)
    assert hours_to_freezing(bin_c + 3.0, outdoor + 3.0, tau, 3.0, time) == pytest.approx(here, abs=1e-6)


@LAWS
@given(st.floats(0.5, 20.0), st.floats(2.0, 100.0), st.floats(0.5, 10.0))
def test_a_slower_or_warmer_bin_freezes_later(bin_c: float, tau: float, more: float) -> None:
    outdoor = np.full(80, -6.0)
    base = hours_to_freezing(bin_c, outdoor, tau)
    assert hours_to_freezing(bin_c, outdoor, tau + more) >= base
    assert hours_to_freezing(bin_c + more, outdoor, tau) >= base


def test_a_bin_at_the_limit_freezes_now_and_a_warm_night_not_at_all() -> None:
    assert hours_to_freezing(-0.1, [2.0, 2.0], 20.0) == 0.0
    assert hours_to_freezing(8.0, np.full(48, 3.0), 20.0) == math.inf


def test_the_interval_of_hours_to_freezing_widens_with_the_confidence() -> None:
    past = np.arange(0.0, 240.0)
    air = -2.0 + 4.0 * np.sin(2.0 * np.pi * past / 24.0)
    forecast = outdoor_forecast(past, air)
    fit = TimeConstant(20.0, 17.0, 24.0, 2.0, 0.4, 200)
    narrow = hours_to_freezing_interval(3.0, forecast, fit, confidence=0.5)
    wide = hours_to_freezing_interval(3.0, forecast, fit, confidence=0.9)
    assert wide.low_h <= narrow.low_h <= narrow.eta_h <= narrow.high_h <= wide.high_h
    assert narrow.outdoor_source == "persistence with the daily cycle"


def test_a_repeating_day_is_forecast_as_it_was_with_its_source() -> None:
    past = np.arange(0.0, 240.0)
    air = 1.0 + 5.0 * np.sin(2.0 * np.pi * past / 24.0)
    ahead = outdoor_forecast(past, air, 48.0)
    truth = 1.0 + 5.0 * np.sin(2.0 * np.pi * (past[-1] + ahead.time_h) / 24.0)
    assert ahead.source == "persistence with the daily cycle"
    assert np.abs(ahead.outdoor_c - truth).max() < 2.1
    assert ahead.outdoor_c[0] == pytest.approx(truth[0])


def test_the_users_forecast_comes_first_and_a_short_past_is_held() -> None:
    given_c = np.array([3.0, 2.0, np.nan, 0.0])
    told = outdoor_forecast([0.0, 1.0], [5.0, 4.0], 48.0, given_c)
    assert told.source == "given"
    assert told.outdoor_c.tolist() == [3.0, 2.0, 1.0, 0.0]
    held = outdoor_forecast([0.0, 1.0], [5.0, 4.0], 6.0)
    assert held.source == "persistence"
    assert held.outdoor_c.tolist() == [4.0] * 7
    assert np.all(np.diff(held.sd_c) >= 0.0)


def test_uneven_readings_with_holes_give_much_the_same_forecast() -> None:
    rng = np.random.default_rng(3)
    past = np.arange(0.0, 200.0, 0.5)
    air = 4.0 * np.sin(2.0 * np.pi * past / 24.0)
    kept = rng.random(past.size) > 0.3
    kept[-1] = True
    kept[100:110] = False
    a, b = outdoor_forecast(past, air), outdoor_forecast(past[kept], air[kept])
    assert np.abs(a.outdoor_c - b.outdoor_c).max() < 0.7


def test_a_time_constant_survives_holes_and_frozen_hours() -> None:
    rng = np.random.default_rng(4)
    time = np.arange(0.0, 500.0)
    air = 2.0 + 6.0 * np.sin(time / 9.0) + 3.0 * np.sin(time / 31.0)
    inside = np.empty(time.size)
    inside[0] = 8.0
    for i in range(1, time.size):
        inside[i] = inside[i - 1] + (air[i - 1] + 3.0 - inside[i - 1]) / 24.0
    noisy = inside + rng.normal(0.0, 0.2, time.size)
    noisy[50:70] = np.nan
    air[200:220] = np.nan
    fit = bin_time_constant(time, noisy, air)
    assert fit.low_h < 24.0 < fit.high_h or fit.tau_h == pytest.approx(24.0, rel=0.1)


def test_a_straight_short_fall_does_not_tell_of_a_bin_far_below_the_air() -> None:
    # A line fits any slow bin that strives for something far away, here some 60 C below the air.
    time = np.arange(0.0, 48.0)
    fit = bin_time_constant(time, 6.0 - 0.1 * time, np.full(time.size, 2.0))
    assert -10.0 <= fit.offset_c <= 30.0
    # The air to come is as it was: 0.1 C an hour for the next hours, and no faster.
    seen = hours_to_freezing_interval(1.3, outdoor_forecast(time, np.full(time.size, 2.0), 24.0), fit)
    assert seen.low_h <= 13.0 <= seen.high_h
    # An air probe in the sun, and one in a spray of cold: a word each time.
    for odd_c in (-80.0, 85.0):
        told = hours_to_freezing_interval(1.3, outdoor_forecast(time, np.full(time.size, odd_c), 24.0), fit)
        assert (told.eta_h == 0.0 or math.isinf(told.eta_h)) == (odd_c > 0.0)


# Refusals


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: food_properties({"water": 1.2}, 5.0), "water"),
        (lambda: food_properties({"water": 0.5}, 5.0), "sum to 1"),
        (lambda: food_properties({"water": 1.0, "sugar": 0.0}, 5.0), "sugar"),
        (lambda: food_properties({"fat": 1.0}, 5.0), "water"),
        (lambda: food_properties(KITCHEN_SCRAPS, -41.0), "temp_c .*-40"),
        (lambda: Composition(water=1.0, void_fraction=0.95), "void_fraction .*0.9"),
        (lambda: Composition(water=1.0, freezing_c=1.0), "freezing_c"),
        (lambda: Geometry("cube", 0.2), "shape"),  # type: ignore[arg-type]
        (lambda: Geometry("slab", 0.0), "size_m must be above 0"),
        (lambda: Geometry("slab", 0.2, -1.0), "insulation_m2k_w"),
        (lambda: Geometry("sphere", 0.2, 0.0, 0.2), "length_m"),
        (lambda: tub(0.2, 0.2, fill=1.5), "fill"),
        (lambda: plank_time_h("cube", 0.1, 1e3, 250, -1, -20, 10, 1.2), "shape"),
        (lambda: plank_time_h("slab", -0.1, 1e3, 250, -1, -20, 10, 1.2), "size_m must be above 0"),
        (lambda: freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 5.0, [1.0], 10.0), "outdoor_c"),
        (lambda: freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 5.0, [1.0, -70.0], 10.0), "outdoor_c .*-40"),
        (lambda: freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 90.0, [1.0, 2.0], 10.0), "start_c .*60"),
        (lambda: freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 5.0, [1.0, 2.0], 0.0), "surface_w_m2k"),
        (lambda: freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 5.0, [np.nan, np.nan], 9.0), "outdoor_c"),
        (lambda: freeze_through_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 5.0, [1.0, 2.0], 9.0, [1.0, 0.0]), "time_h"),
        (lambda: thaw_h(tub(0.2, 0.2), KITCHEN_SCRAPS, 1.0, 10.0, 8.0), "start_c"),
        (lambda: thaw_h(tub(0.2, 0.2), KITCHEN_SCRAPS, -5.0, -2.0, 8.0), "room_c"),
        (lambda: freezing_state([0.0, 1.0], [1.0]), "feed_c"),
        (lambda: freezing_state([1.0, 1.0], [1.0, 2.0]), "time_h"),
        (lambda: hours_to_freezing(5.0, [1.0, 0.0], 0.0), "time_constant_h must be above 0"),
        (lambda: hours_to_freezing(math.nan, [1.0, 0.0], 5.0), "bin_c"),
        (lambda: hours_to_freezing(5.0, [1.0], 5.0), "outdoor_c_forecast"),
        (lambda: bin_time_constant(np.arange(5.0), np.ones(5), np.ones(5)), "24 hours"),
        (lambda: outdoor_forecast([0.0], [np.nan]), "outdoor_c"),
        (lambda: outdoor_forecast([0.0], [1.0], 0.5), "horizon_h"),
    ],
)
def test_what_a_model_cannot_take_is_refused_by_name_and_bound(call: object, says: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=says):
        call()
