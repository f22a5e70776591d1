"""Trends against scipy, statsmodels and published arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import theilslopes

from underlid.science.trend import hampel, robust_trend


def _wander(rng: np.random.Generator, time_h: np.ndarray, correlation_h: float) -> np.ndarray:
    """Unit noise whose correlation falls as exp(-lag / correlation_h): an Ornstein-Uhlenbeck process."""
    noise = rng.normal(size=time_h.size)
    for i in range(1, time_h.size):
        kept = np.exp(-(time_h[i] - time_h[i - 1]) / correlation_h)
        noise[i] = kept * noise[i - 1] + np.sqrt(1 - kept**2) * noise[i]
    return noise


def test_the_slope_is_scipys_theil_sen_slope_on_irregular_times() -> None:
    rng = np.random.default_rng(1)
    for n in (3, 10, 60):
        time_h = np.sort(rng.uniform(0, 48, n))
        value = 70.0 - 0.2 * time_h + rng.standard_t(2, n)
        assert robust_trend(time_h, value).slope == pytest.approx(theilslopes(value, time_h).slope, rel=1e-9)


def test_the_slope_of_a_textbook_outlier_sample_stays_with_the_majority() -> None:
    # Median of pairwise slopes by hand: points (0,0) (1,1) (2,2) (3,30): 1 1 1 15 14.5 10... sorted
    # 1, 1, 1, 10, 14.5, 28 -> (1 + 10) / 2 = 5.5.
    assert robust_trend([0, 1, 2, 3], [0, 1, 2, 30]).slope == pytest.approx(5.5)


def test_under_independent_noise_the_interval_is_about_as_wide_as_sens() -> None:
    # scipy.stats.theilslopes (Sen 1968); median over fifty series.
    rng = np.random.default_rng(2)
    ratio = []
    for _ in range(50):
        time_h = np.sort(rng.uniform(0, 48, 50))
        value = rng.normal(size=50)
        sen = theilslopes(value, time_h, alpha=0.8)
        ours = robust_trend(time_h, value)
        ratio.append((ours.high - ours.low) / (sen.high_slope - sen.low_slope))
    assert 0.9 < float(np.median(ratio)) < 1.25


def test_under_correlated_noise_the_interval_is_as_wide_as_least_squares_with_the_true_covariance() -> None:
    # statsmodels OLS with the sandwich of the true covariance: X+ S X+'. Median over fifty series.
    rng = np.random.default_rng(3)
    time_h = np.sort(rng.uniform(0, 72, 60))
    covariance = np.exp(-np.abs(time_h[:, None] - time_h) / 3.0)
    fit = sm.OLS(np.zeros(60), sm.add_constant(time_h)).fit()
    true_sd = float(np.sqrt((fit.model.pinv_wexog @ covariance @ fit.model.pinv_wexog.T)[1, 1]))
    widths = []
    for _ in range(50):
        trend = robust_trend(time_h, _wander(rng, time_h, 3.0))
        widths.append(trend.high - trend.low)
    assert 0.7 < float(np.median(widths)) / (2 * 1.2816 * true_sd) < 1.4


@pytest.mark.parametrize("correlation_h", [0.2, 1.0, 3.0])
def test_eighty_per_cent_intervals_cover_the_true_slope_in_72_to_92_per_cent(correlation_h: float) -> None:
    # Against simulation: 250 irregular series of 60 readings over 48 h, correlated noise and a white part.
    rng = np.random.default_rng(4)
    covered = sens = 0
    for _ in range(250):
        time_h = np.sort(rng.uniform(0, 48, 60))
        value = 0.3 * time_h + _wander(rng, time_h, correlation_h) + rng.normal(0, 0.3, 60)
        trend = robust_trend(time_h, value)
        covered += trend.low <= 0.3 <= trend.high
        if correlation_h == 3.0:
            sen = theilslopes(value, time_h, alpha=0.8)
            sens += sen.low_slope <= 0.3 <= sen.high_slope
    assert 0.72 <= covered / 250 <= 0.92
    if correlation_h == 3.0:
        assert sens / 250 < 0.6  # what leaving the correlation out would give


def test_hampel_agrees_with_the_definition_written_out() -> None:
    # Median and 1.4826 MAD of a moving window, seen in the manual of R package pracma, which cites Pearson
    # 1999, "Data cleaning for dynamic modeling and control" (and leaves the ends alone; here they are cut
    # short).
    rng = np.random.default_rng(5)
    value = rng.normal(size=200)
    value[[20, 90, 150]] += 12.0
    value[[40, 41, 199]] = np.nan
    cleaned, mask = hampel(value, 4, 3.0)
    for i, x in enumerate(value):
        window = value[max(i - 4, 0) : i + 5]
        window = window[np.isfinite(window)]
        middle = np.median(window)
        spike = bool(abs(x - middle) > 3.0 * 1.4826 * np.median(np.abs(window - middle)))
        assert mask[i] == spike
        assert cleaned[i] == pytest.approx(middle if spike else x, nan_ok=True)
    assert mask[[20, 90, 150]].all()


def test_hampel_draws_the_line_at_three_of_statsmodels_robust_deviations() -> None:
    # statsmodels.robust.mad; one window over the whole series, its middle reading moved outwards.
    flagged = []
    for moved in np.linspace(3.0, 20.0, 100):
        value = np.array([3.0, 1.0, 4.0, 1.5, moved, 9.0, 2.6, 5.0, 3.5])
        expected = abs(moved - np.median(value)) > 3.0 * sm.robust.mad(value, center=np.median)
        flagged.append(bool(hampel(value, 4, 3.0)[1][4]))
        assert flagged[-1] == bool(expected)
    assert 0 < sum(flagged) < 100
