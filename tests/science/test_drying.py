"""Properties of the drying forecast, and its calibration on simulated bins."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.bench.forecasts import drying_at, moisture_ahead
from tests.bins import simulate

from underlid.science.drying import forecast_drying
from underlid.science.drying_process import MAX_AHEAD_H


def a_stretch(seed: int, rate_per_d: float = 0.25, hours: float = 72.0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0.0, hours, 300))
    x = 4.0 - rate_per_d * t / 24.0
    return t, 100.0 * x / (1.0 + x) + rng.normal(0.0, 0.4, 300)


@settings(max_examples=20, deadline=None)
@given(origin=st.floats(-1e5, 1e5), seed=st.integers(0, 5))
def test_the_time_origin_does_not_matter(origin: float, seed: int) -> None:
    t, m = a_stretch(seed)
    here, there = forecast_drying(t, m, 70.0), forecast_drying(t + origin, m, 70.0)
    assert there.eta_h == pytest.approx(here.eta_h, rel=1e-3, abs=1e-2)
    assert there.high_h == pytest.approx(here.high_h, rel=1e-2, abs=1e-1)
    assert there.since_h - origin == pytest.approx(here.since_h, abs=1e-6)


@settings(max_examples=20, deadline=None)
@given(unit=st.floats(0.01, 100.0), seed=st.integers(0, 5))
def test_the_unit_of_the_deficit_does_not_matter(unit: float, seed: int) -> None:
    t, m = a_stretch(seed)
    vpd = 0.6 + 0.3 * np.sin(t / 4.0)
    one, other = forecast_drying(t, m, 70.0, vpd), forecast_drying(t, m, 70.0, vpd * unit)
    assert other.eta_h == pytest.approx(one.eta_h, rel=1e-6)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000))
def test_the_order_of_readings_and_holes_do_not_matter(seed: int) -> None:
    t, m = a_stretch(3)
    shuffled = np.random.default_rng(seed).permutation(len(t) + 40)
    with_holes = np.append(t, np.linspace(1.0, 70.0, 40))[shuffled]
    values = np.append(m, np.full(40, np.nan))[shuffled]
    assert forecast_drying(with_holes, values, 70.0).eta_h == pytest.approx(forecast_drying(t, m, 70.0).eta_h)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 20), low=st.floats(30.0, 60.0), more=st.floats(0.5, 15.0))
def test_a_higher_limit_is_never_reached_later(seed: int, low: float, more: float) -> None:
    t, m = a_stretch(seed)
    later, sooner = forecast_drying(t, m, low), forecast_drying(t, m, low + more)
    assert sooner.eta_h <= later.eta_h
    assert sooner.low_h <= later.low_h
    assert sooner.low_h <= sooner.eta_h <= sooner.high_h


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 20))
def test_more_confidence_is_a_wider_interval(seed: int) -> None:
    t, m = a_stretch(seed)
    half, most = forecast_drying(t, m, 70.0, confidence=0.5), forecast_drying(t, m, 70.0, confidence=0.95)
    assert most.low_h < half.low_h <= half.eta_h == most.eta_h <= half.high_h < most.high_h


def test_a_layer_at_its_limit_has_no_hours_left() -> None:
    t, m = a_stretch(1)
    assert forecast_drying(t, m, 79.5).eta_h == 0.0


def test_a_layer_that_gets_wetter_never_dries_to_the_limit() -> None:
    t = np.arange(0.0, 72.0, 0.5)
    assert forecast_drying(t, 65.0 + 0.03 * t, 60.0).eta_h == np.inf


def test_no_finite_crossing_lies_beyond_ninety_days() -> None:
    t = np.arange(0.0, 72.0, 0.5)
    made = forecast_drying(t, 78.0 - 0.0005 * t, 60.0)
    assert made.high_h == np.inf
    assert made.low_h <= MAX_AHEAD_H or made.low_h == np.inf


def test_a_long_hole_is_no_obstacle() -> None:
    t, m = a_stretch(2)
    hole = (t > 20.0) & (t < 50.0)
    whole, holed = forecast_drying(t, m, 70.0), forecast_drying(t[~hole], m[~hole], 70.0)
    assert holed.eta_h == pytest.approx(whole.eta_h, rel=0.2)


def test_the_stretch_begins_at_the_last_wetting() -> None:
    rng = np.random.default_rng(0)
    t = np.arange(0.0, 120.0, 1 / 6)
    m = np.where(t < 60.0, 70.0 - 0.1 * t, 78.0 - 0.1 * (t - 60.0)) + rng.normal(0.0, 0.4, len(t))
    made = forecast_drying(t, m, 65.0)
    assert made.since_h == pytest.approx(60.5, abs=1.5)
    alone = forecast_drying(t[t >= made.since_h], m[t >= made.since_h], 65.0)
    assert made.eta_h == pytest.approx(alone.eta_h, rel=0.02)


def test_the_curve_gets_to_the_limit_about_when_the_forecast_says() -> None:
    made = forecast_drying(*a_stretch(4, rate_per_d=0.6), 68.0)
    middle, low, high = made.curve([made.eta_h, made.low_h, made.high_h])
    assert np.isfinite(made.high_h)
    # the first touch comes before the middle crosses, by no more than the band is wide
    assert 68.0 - 0.05 <= middle[0] <= 68.0 + 1.0
    assert low[1] == pytest.approx(68.0, abs=0.6)
    assert high[2] == pytest.approx(68.0, abs=1.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"limit_pct_wb": 100.0}, "limit_pct_wb must lie between 0 and 100"),
        ({"limit_pct_wb": float("nan")}, "limit_pct_wb must lie between 0 and 100"),
        ({"confidence": 1.0}, "confidence must lie between 0 and 1"),
        ({"pct_wb": [70.0, 69.0, 101.0, 68.0]}, "pct_wb must lie within 0 to 100"),
        ({"pct_wb": [70.0, np.nan, np.nan, 68.0]}, "pct_wb must hold at least 3 readings"),
        ({"pct_wb": [70.0, 69.0]}, "of one length"),
        ({"time_h": [0.0, 1.0, np.nan, 3.0]}, "time_h must be finite"),
        ({"vpd_kpa": [0.5, -0.1, 0.5, 0.5]}, "vpd_kpa must be at least 0"),
        ({"vpd_kpa": [0.5]}, "vpd_kpa must be as long as time_h"),
    ],
)
def test_what_it_cannot_take_is_named_with_its_bound(change: dict[str, object], words: str) -> None:
    given_: dict[str, object] = {
        "time_h": [0.0, 1.0, 2.0, 3.0],
        "pct_wb": [70.0, 69.5, 69.0, 68.5],
        "limit_pct_wb": 60.0,
    }
    with pytest.raises(ValueError, match=words):
        forecast_drying(**{**given_, **change})  # type: ignore[arg-type]


def test_three_readings_give_a_forecast_that_owns_up_to_knowing_little() -> None:
    few = forecast_drying([0.0, 1.0, 2.0], [70.0, 69.9, 69.8], 60.0)
    t = np.arange(0.0, 72.0, 0.5)
    many = forecast_drying(t, 77.0 - 0.1 * t, 60.0)
    assert few.high_h > 4.0 * few.low_h
    assert few.high_h / few.low_h > 2.0 * many.high_h / many.low_h


def test_intervals_hold_their_share_and_errors_beat_the_line_on_simulated_bins() -> None:
    runs = simulate(seed=31, bins=24, days=45.0)
    times = drying_at(runs, 24.0, with_air=True)
    assert times.count > 100
    assert (
        0.70 <= times.coverage <= 0.93
    )  # some hundred cases of correlated bins: the bench prints the large table
    assert times.mae < 0.7 * times.mae_straight_line
    moisture = moisture_ahead(runs, 24.0, with_air=True)
    assert 0.72 <= moisture.coverage <= 0.90
    assert moisture.mae < moisture.mae_straight_line
