"""Calibration against scipy's PCHIP, Cornell's oven sample and a published two-point probe."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from underlid.science.calibration import fit_calibration, oven_point


@pytest.mark.parametrize(
    ("raw", "pct_wb"),
    [
        ([1480.0, 1650.0, 2100.0, 2900.0], [88.0, 80.0, 62.0, 20.0]),
        ([1200.0, 1300.0, 2500.0, 2600.0, 3300.0], [92.0, 65.0, 60.0, 35.0, 5.0]),
        ([0.5, 0.9, 1.0], [10.0, 30.0, 90.0]),
    ],
)
def test_the_curve_is_scipys_pchip_between_the_points(raw: list[float], pct_wb: list[float]) -> None:
    # scipy.interpolate.PchipInterpolator: Fritsch and Butland 1984.
    at = np.linspace(raw[0], raw[-1], 501)
    values, in_range = fit_calibration(raw, pct_wb).apply(at)
    np.testing.assert_allclose(values, PchipInterpolator(raw, pct_wb)(at), rtol=1e-12, atol=1e-10)
    assert in_range.all()


def test_two_points_make_a_straight_line() -> None:
    # numpy.interp.
    at = np.linspace(1500.0, 3000.0, 31)
    values, _ = fit_calibration([1500.0, 3000.0], [85.0, 10.0]).apply(at)
    np.testing.assert_allclose(values, np.interp(at, [1500.0, 3000.0], [85.0, 10.0]))


def test_a_probes_published_drift_is_taken_out_about_the_reference_temperature() -> None:
    # myClim (R package, mc_calib_moisture, seen): air reads 114.534, water 3634.723 at 24 C and drift by
    # 1.911 and 0.641 raw units per C. The wet end's drift, as this model has one coefficient for both.
    calibration = fit_calibration([114.534, 3634.723], [0.0, 100.0], temp_c=24.0, temp_coeff=0.641)
    for temp_c in (5.0, 24.0, 35.0):
        value, _ = calibration.apply(3634.723 + 0.641 * (temp_c - 24.0), temp_c)
        assert float(value) == pytest.approx(100.0, abs=1e-9)


def test_moisture_is_missing_in_frozen_bedding() -> None:
    # myClim's frozen2NA and flag D01 of Dorigo et al. 2013 do the same for soil at or below 0 C.
    values, in_range = fit_calibration([1500.0, 3000.0], [85.0, 10.0]).apply([2000.0] * 3, [0.1, 0.0, -4.0])
    assert np.isnan(values).tolist() == [False, True, True]
    assert in_range.tolist() == [True, False, False]


def test_cornell_oven_sample_is_77_per_cent() -> None:
    # Cornell Composting, "Moisture content" (seen in a mirror): container 4 g, with 10 g of sample 14 g,
    # dried 6.3 g.
    assert oven_point(14.0, 6.3, 4.0).pct_wb == pytest.approx(77.0, abs=0.05)


def test_oven_uncertainty_is_that_of_ten_thousand_weighings() -> None:
    # Monte Carlo (JCGM 101:2008) in place of first-order propagation.
    rng = np.random.default_rng(7)
    before, after, tare = (w + rng.normal(0.0, 0.1, 10_000) for w in (64.0, 31.0, 22.0))
    simulated = float(np.std(100.0 * (before - after) / (before - tare)))
    assert oven_point(64.0, 31.0, 22.0, balance_sd_g=0.1).sd_pct == pytest.approx(simulated, rel=0.03)


def test_uncertainty_of_a_moisture_is_that_of_ten_thousand_calibrations() -> None:
    # Monte Carlo (JCGM 101:2008) over the points and the reading, two points.
    rng = np.random.default_rng(8)
    dry, wet = 20.0 + rng.normal(0, 1.5, 10_000), 80.0 + rng.normal(0, 2.5, 10_000)
    calibration = fit_calibration([3000.0, 1500.0], [20.0, 80.0], sd_pct=[1.5, 2.5])
    for raw in (1500.0, 1900.0, 2600.0):
        read = raw + rng.normal(0, 30.0, 10_000)
        simulated = float(np.std(dry + (wet - dry) * (3000.0 - read) / 1500.0))
        assert float(calibration.uncertainty(raw, raw_sd=30.0)) == pytest.approx(simulated, rel=0.03)
