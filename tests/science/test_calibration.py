"""Properties and edges of the calibration curve and the oven sample."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underlid.science.calibration import Calibration, fit_calibration, oven_point


@st.composite
def points(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    """Two to seven points, moisture falling or rising with raw."""
    n = draw(st.integers(2, 7))
    raw = np.cumsum(draw(st.lists(st.floats(1.0, 800.0), min_size=n, max_size=n))) + 200.0
    steps = np.cumsum(draw(st.lists(st.floats(0.2, 14.0), min_size=n, max_size=n)))
    pct = steps if draw(st.booleans()) else 100.0 - steps
    return raw.tolist(), pct.tolist()


@given(points(), st.randoms(use_true_random=False))
def test_the_curve_goes_through_every_point_whatever_their_order(
    given_points: tuple[list[float], list[float]], random
) -> None:  # type: ignore[no-untyped-def]
    raw, pct = given_points
    order = list(range(len(raw)))
    random.shuffle(order)
    calibration = fit_calibration([raw[i] for i in order], [pct[i] for i in order])
    assert calibration == fit_calibration(raw, pct)
    values, in_range = calibration.apply(raw)
    np.testing.assert_allclose(values, pct, atol=1e-9)
    assert in_range.all()


@given(points())
def test_the_curve_never_turns_nor_leaves_nothing_to_all(
    given_points: tuple[list[float], list[float]],
) -> None:
    raw, pct = given_points
    at = np.linspace(raw[0] - 500.0, raw[-1] + 500.0, 400)
    values, in_range = fit_calibration(raw, pct).apply(at)
    step = np.diff(values) * np.sign(pct[-1] - pct[0])
    assert (step >= -1e-9).all()
    assert ((values >= 0.0) & (values <= 100.0)).all()
    assert np.array_equal(in_range, (at >= raw[0]) & (at <= raw[-1]))


@given(points(), st.floats(0.001, 1000.0), st.floats(-1e4, 1e4))
def test_the_curve_knows_neither_unit_nor_origin_of_raw(
    given_points: tuple[list[float], list[float]], scale: float, origin: float
) -> None:
    raw, pct = (np.array(x) for x in given_points)
    at = np.linspace(raw[0], raw[-1], 50)
    expected, _ = fit_calibration(raw, pct).apply(at)
    values, _ = fit_calibration(scale * raw + origin, pct).apply(scale * at + origin)
    np.testing.assert_allclose(values, expected, atol=1e-5)


@given(st.floats(-3.0, 3.0), st.floats(1.0, 40.0), st.floats(1.0, 40.0))
def test_with_the_right_coefficient_temperature_makes_no_difference(
    coeff: float, point_c: float, now_c: float
) -> None:
    # A probe that reads `coeff` counts more for each degree.
    def probe(pct: np.ndarray, temp_c: float) -> np.ndarray:
        return 3300.0 - 20.0 * pct + coeff * (temp_c - 20.0)

    known = np.array([20.0, 50.0, 80.0])
    calibration = fit_calibration(probe(known, point_c), known, temp_c=point_c, temp_coeff=coeff)
    truth = np.linspace(21.0, 79.0, 9)
    values, in_range = calibration.apply(probe(truth, now_c), now_c)
    np.testing.assert_allclose(values, truth, atol=1e-9)
    assert in_range.all()


def test_each_reading_may_have_its_own_temperature_or_none() -> None:
    calibration = fit_calibration([1500.0, 3000.0], [85.0, 10.0], temp_coeff=2.0)
    values, in_range = calibration.apply([2000.0] * 4, [20.0, 30.0, np.nan, 0.0])
    assert values[0] == values[2] == 60.0
    assert values[1] == pytest.approx(61.0)
    assert np.isnan(values[3])
    assert in_range.tolist() == [True, True, True, False]


def test_a_hole_stays_one_and_is_out_of_range() -> None:
    values, in_range = fit_calibration([1500.0, 3000.0], [85.0, 10.0]).apply([np.nan, 2000.0])
    assert np.isnan(values).tolist() == [True, False]
    assert in_range.tolist() == [False, True]


def test_a_reading_outside_goes_on_straight_and_is_marked() -> None:
    calibration = fit_calibration([1500.0, 2000.0, 3000.0], [85.0, 60.0, 10.0])
    values, in_range = calibration.apply([1450.0, 3100.0, 4095.0, 0.0])
    np.testing.assert_allclose(values, [87.5, 5.0, 0.0, 100.0])
    assert not in_range.any()


def test_one_number_in_gives_one_number_out() -> None:
    value, in_range = fit_calibration([1500.0, 3000.0], [85.0, 10.0]).apply(2000.0)
    assert value.shape == in_range.shape == ()
    assert float(value) == 60.0


def test_uncertainty_is_that_of_the_points_at_the_points_and_grows_beyond_them() -> None:
    calibration = fit_calibration([1500.0, 2000.0, 3000.0], [85.0, 60.0, 10.0], sd_pct=[1.0, 2.0, 3.0])
    at_points = calibration.uncertainty([1500.0, 2000.0, 3000.0])
    np.testing.assert_allclose(at_points, [1.0, 2.0, 3.0])
    assert calibration.uncertainty(4000.0) > 3.0
    assert np.isnan(calibration.uncertainty(2000.0, temp_c=-1.0))
    assert calibration.uncertainty(2000.0, raw_sd=40.0) > 2.0


@given(st.floats(5.0, 500.0), st.floats(0.0, 0.98), st.floats(0.0, 300.0))
def test_the_oven_gives_back_the_water_put_in(wet_g: float, share: float, tare_g: float) -> None:
    after = tare_g + wet_g * (1.0 - share)
    point = oven_point(tare_g + wet_g, after, tare_g)
    assert point.pct_wb == pytest.approx(100.0 * share, abs=1e-6)
    assert point.sd_pct > 0.0
    bigger = oven_point(tare_g + 10 * wet_g, tare_g + 10 * wet_g * (1.0 - share), tare_g)
    assert bigger.sd_pct < point.sd_pct


def test_a_calibration_can_be_kept_and_made_again() -> None:
    calibration = fit_calibration([3000.0, 1500.0], [10.0, 85.0], temp_c=[18.0, 22.0], temp_coeff=1.5)
    again = Calibration(calibration.raw, calibration.pct_wb, calibration.sd_pct, calibration.temp_coeff)
    assert again == calibration
    np.testing.assert_array_equal(again.apply(2000.0)[0], calibration.apply(2000.0)[0])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: fit_calibration([2000.0], [50.0]), "raw must hold at least 2 points, got 1"),
        (lambda: fit_calibration([1.0, 2.0], [50.0]), "of one length"),
        (lambda: fit_calibration([1.0, 1.0], [50.0, 60.0]), "raw must differ .* got 1 twice"),
        (lambda: fit_calibration([1.0, 2.0], [50.0, 101.0]), "pct_wb must lie within 0 to 100 %"),
        (lambda: fit_calibration([1.0, np.nan], [50.0, 60.0]), "finite in every point"),
        (lambda: fit_calibration([1.0, 2.0], [50.0, 60.0], temp_c=-2.0), "temp_c must lie within 0.1"),
        (lambda: fit_calibration([1.0, 2.0], [50.0, 50.0]), "steadily rise or steadily fall"),
        (
            lambda: fit_calibration([1500.0, 3000.0, 2000.0, 2500.0], [85.0, 10.0, 60.0, 62.0]),
            r"from raw 2000 \(60 %\) to raw 2500 \(62 %\)",
        ),
        (lambda: fit_calibration([1.0, 2.0], [5.0, 6.0]).apply(1.5, 101.0), "temp_c must lie within -60"),
        (lambda: fit_calibration([1.0, 2.0], [5.0, 6.0]).uncertainty(1.5, raw_sd=-1.0), "raw_sd must lie"),
        (lambda: oven_point(10.0, 11.0, 4.0), "after_g must lie above tare_g and not above before_g"),
        (lambda: oven_point(10.0, 4.0, 4.0), "after_g must lie above tare_g"),
        (lambda: oven_point(10.0, 6.0, -1.0), "tare_g must lie within 0"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        call()
