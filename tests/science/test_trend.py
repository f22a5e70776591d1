"""Properties and edges of the robust trend and the spike filter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from underlid.science.trend import hampel, robust_trend

seeds = st.integers(0, 2**32 - 1)


def _series(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    time_h = np.cumsum(rng.exponential(1.0, n) + 0.01)
    return time_h, 60.0 - 0.2 * time_h + np.cumsum(rng.normal(0, 0.1, n)) + rng.normal(0, 0.3, n)


@settings(deadline=None, max_examples=40)
@given(
    seeds,
    st.integers(3, 120),
    st.floats(-1e6, 1e6),
    st.floats(0.01, 100.0),
    st.floats(-1e3, 1e3),
    st.booleans(),
)
def test_the_trend_knows_neither_origin_nor_unit(
    seed: int, n: int, origin_h: float, unit: float, zero: float, turned: bool
) -> None:
    time_h, value = _series(seed, n)
    a = robust_trend(time_h, value)
    sign = -1.0 if turned else 1.0
    b = robust_trend(time_h + origin_h, sign * unit * value + zero)
    low, high = sorted((sign * a.low * unit, sign * a.high * unit))
    tolerance = unit * 1e-5 + 1e-7
    assert b.slope == pytest.approx(sign * a.slope * unit, abs=tolerance)
    assert (b.low, b.high) == pytest.approx((low, high), abs=tolerance)
    assert b.level == pytest.approx(sign * a.level * unit + zero, abs=1e-3 * unit + 1e-6)


@settings(deadline=None, max_examples=40)
@given(seeds, st.integers(3, 200))
def test_the_order_of_readings_and_holes_between_them_change_nothing(seed: int, n: int) -> None:
    time_h, value = _series(seed, n)
    rng = np.random.default_rng(seed)
    holes = rng.uniform(time_h[0], time_h[-1], 5)
    time_2 = np.concatenate([time_h, holes, [np.nan]])
    value_2 = np.concatenate([value, np.full(5, np.nan), [3.0]])
    order = rng.permutation(time_2.size)
    assert robust_trend(time_2[order], value_2[order]) == robust_trend(time_h, value)


@settings(deadline=None, max_examples=40)
@given(seeds, st.integers(3, 300), st.floats(-5.0, 5.0))
def test_a_straight_line_is_found_with_no_doubt(seed: int, n: int, slope: float) -> None:
    time_h, _ = _series(seed, n)
    trend = robust_trend(time_h, 50.0 + slope * time_h)
    assert trend.slope == pytest.approx(slope, abs=1e-7)
    assert trend.level == pytest.approx(50.0 + slope * time_h[-1], abs=1e-6)
    assert trend.high - trend.low < 1e-6


@settings(deadline=None, max_examples=40)
@given(seeds, st.integers(20, 300))
def test_the_interval_holds_the_slope_and_widens_with_confidence(seed: int, n: int) -> None:
    time_h, value = _series(seed, n)
    narrow, wide = robust_trend(time_h, value, 0.8), robust_trend(time_h, value, 0.95)
    assert narrow.slope == wide.slope
    assert wide.low < narrow.low < narrow.slope < narrow.high < wide.high


@settings(deadline=None, max_examples=30)
@given(seeds)
def test_a_fifth_of_wild_readings_hardly_moves_the_trend(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time_h = np.sort(rng.uniform(0, 72, 100))
    value = 70.0 - 0.2 * time_h + rng.normal(0, 0.3, 100)
    wild = value.copy()
    wild[rng.choice(100, 20, replace=False)] += rng.choice([-30.0, 30.0], 20)
    clean, tried = robust_trend(time_h, value), robust_trend(time_h, wild)
    assert abs(tried.slope - clean.slope) < 0.02
    assert tried.high - tried.low < 10 * (clean.high - clean.low) + 0.02


def test_ten_thousand_readings_are_thinned_without_losing_the_slope() -> None:
    rng = np.random.default_rng(1)
    time_h = np.sort(rng.uniform(0, 72, 10_000))
    trend = robust_trend(time_h, 60.0 - 0.1 * time_h + rng.normal(0, 1.0, 10_000), confidence=0.99)
    assert trend.slope == pytest.approx(-0.1, abs=0.004)
    assert trend.low < -0.1 < trend.high


def test_a_probe_that_never_moves_has_no_slope_and_no_doubt() -> None:
    trend = robust_trend(np.arange(50.0), np.full(50, 61.0))
    assert (trend.slope, trend.low, trend.high, trend.level) == (0.0, 0.0, 0.0, 61.0)


def test_readings_at_one_time_count_together() -> None:
    trend = robust_trend([0.0, 0.0, 1.0, 1.0, 2.0, 2.0], [1.0, 1.0, 2.0, 2.0, 3.0, 3.0])
    assert trend.slope == 1.0


@pytest.mark.parametrize(
    ("time_h", "value", "confidence", "words"),
    [
        ([0.0, 1.0], [1.0, 2.0], 0.8, "readings at 3 different times or more, got 2"),
        ([0.0, 0.0, 1.0], [1.0, 1.0, 2.0], 0.8, "got 2"),
        ([], [], 0.8, "got 0"),
        ([0.0, 1.0, 2.0], [1.0, np.nan, 2.0], 0.8, "got 2"),
        ([0.0, 1.0, 2.0], [1.0, 2.0], 0.8, "of one length"),
        ([0.0, 1.0, 2.0], [1.0, 2.0, 3.0], 1.0, "confidence must lie within 0.5 to 0.999, got 1"),
    ],
)
def test_what_makes_no_trend_is_refused(
    time_h: list[float], value: list[float], confidence: float, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        robust_trend(time_h, value, confidence)


values = st.lists(st.one_of(st.floats(-50, 150), st.just(float("nan"))), max_size=60)


@given(values, st.integers(1, 6), st.floats(0.0, 6.0))
def test_cleaning_changes_spikes_alone_and_leaves_holes(
    value: list[float], half_window: int, n_sigma: float
) -> None:
    given_value = np.array(value, dtype=float)
    cleaned, mask = hampel(given_value, half_window, n_sigma)
    np.testing.assert_array_equal(cleaned[~mask], given_value[~mask])
    assert np.isfinite(given_value[mask]).all()
    assert np.isfinite(cleaned[mask]).all()


@given(values, st.integers(1, 6), st.floats(0.5, 6.0))
def test_a_series_run_backwards_has_the_same_spikes(
    value: list[float], half_window: int, n_sigma: float
) -> None:
    given_value = np.array(value, dtype=float)
    forward, backward = (
        hampel(given_value, half_window, n_sigma),
        hampel(given_value[::-1], half_window, n_sigma),
    )
    np.testing.assert_array_equal(forward[1], backward[1][::-1])


@given(st.lists(st.integers(0, 40), min_size=9, max_size=60), st.integers(1, 5))
def test_steps_of_the_probes_resolution_are_no_spikes(steps: list[int], half_window: int) -> None:
    value = 20.0 + 0.0625 * np.array(steps)
    assume(np.ptp(value) <= 2.5)
    assert not hampel(value, half_window, 4.0, floor=0.65)[1].any()


def test_a_spike_becomes_its_neighbours_median() -> None:
    cleaned, mask = hampel([20.0, 20.1, 20.2, 85.0, 20.2, 20.3, 20.1], 3, 3.0)
    assert mask.tolist() == [False, False, False, True, False, False, False]
    assert cleaned[3] == 20.2


def test_a_lasting_step_is_no_spike() -> None:
    value = np.concatenate([np.full(20, 60.0), np.full(20, 70.0)])
    assert not hampel(value, 3, 3.0)[1].any()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: hampel([[1.0, 2.0]], 3, 3.0), "value must be one-dimensional"),
        (lambda: hampel([1.0], 0, 3.0), "half_window must be at least 1, got 0"),
        (lambda: hampel([1.0], 3, -1.0), "n_sigma and floor must be at least 0"),
    ],
)
def test_a_filter_that_cannot_be_is_refused(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        call()
