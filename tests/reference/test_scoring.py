"""Scores against published definitions and reference libraries."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.integrate import quad
from scipy.stats import linregress, norm

from underlid.science.scoring import score_forecasts, straight_line, straight_line_eta_h


def test_the_interval_score_is_gneiting_and_rafterys() -> None:
    # Gneiting & Raftery 2007 (J. Am. Stat. Assoc. 102, 359-378, eq. 43, from memory):
    # S = (u - l) + 2/alpha (l - x) if x < l, + 2/alpha (x - u) if x > u; alpha 0.2 for 80 %
    cases = [(5.0, 4.0, 8.0, 4.0), (3.0, 4.0, 8.0, 4.0 + 10.0 * 1.0), (8.5, 4.0, 8.0, 4.0 + 10.0 * 0.5)]
    for outcome, low, high, expected in cases:
        score = score_forecasts([outcome], [6.0], [low], [high], 0.8)
        assert score.interval_score == pytest.approx(expected)


def test_true_quantiles_of_a_normal_distribution_cover_their_share() -> None:
    rng = np.random.default_rng(0)
    z = norm.ppf(0.9)
    outcome = rng.normal(0.0, 1.0, 40_000)
    flat = np.zeros_like(outcome)
    score = score_forecasts(outcome, flat, flat - z, flat + z, 0.8)
    assert score.coverage == pytest.approx(0.8, abs=0.006)
    # mean absolute deviation of a normal distribution: sqrt(2/pi) sigma
    assert score.mae == pytest.approx(np.sqrt(2.0 / np.pi), abs=0.01)
    assert score.sharpness == pytest.approx(2 * 1.2816, abs=1e-3)


def test_the_expected_interval_score_of_the_true_interval_agrees_with_numerical_integration() -> None:
    rng = np.random.default_rng(1)
    z = norm.ppf(0.9)
    miss = quad(lambda x: (x - z) * norm.pdf(x), z, np.inf)[0]
    outcome = rng.normal(0.0, 1.0, 80_000)
    flat = np.zeros_like(outcome)
    score = score_forecasts(outcome, flat, flat - z, flat + z, 0.8)
    assert score.interval_score == pytest.approx(2 * z + 2 / 0.2 * 2 * miss, rel=0.01)
    # proper: neither narrower nor wider scores better (Gneiting & Raftery 2007)
    for factor in (0.6, 1.6):
        other = score_forecasts(outcome, flat, flat - z * factor, flat + z * factor, 0.8)
        assert other.interval_score > score.interval_score


def test_the_straight_line_is_scipys_and_statsmodels_least_squares() -> None:
    rng = np.random.default_rng(3)
    t = np.sort(rng.uniform(0.0, 72.0, 400))
    value = 75.0 - 0.1 * t + rng.normal(0.0, 0.5, 400)
    last = t >= t[-1] - 24.0
    by_scipy = linregress(t[last], value[last])
    by_statsmodels = sm.OLS(value[last], sm.add_constant(t[last] - t[-1])).fit().params
    level, slope = straight_line(t, value)
    assert slope == pytest.approx(by_scipy.slope, rel=1e-9)
    assert [level, slope] == pytest.approx(list(by_statsmodels), rel=1e-9)


def test_mean_absolute_error_and_bias_follow_their_definitions() -> None:
    # by hand: errors -2, 1, 4: mean 1, mean absolute 7/3
    score = score_forecasts([10.0, 10.0, 10.0], [8.0, 11.0, 14.0], [7.0, 9.0, 11.0], [9.0, 12.0, 15.0], 0.8)
    assert (score.bias, score.mae) == (pytest.approx(1.0), pytest.approx(7.0 / 3.0))
    assert score.coverage == pytest.approx(1.0 / 3.0)


def test_the_line_reaches_its_limit_by_the_rule_of_three() -> None:
    # 74 to 70 at a point an hour: four hours
    assert straight_line_eta_h([0.0, 1.0, 2.0], [76.0, 75.0, 74.0], 70.0) == pytest.approx(4.0)
