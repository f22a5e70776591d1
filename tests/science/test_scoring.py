"""Properties of the scores."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underlid.science.scoring import score_forecasts, straight_line, straight_line_eta_h

ROWS = st.lists(
    st.tuples(st.floats(-50, 50), st.floats(-50, 50), st.floats(0, 20), st.floats(0, 20)),
    min_size=1,
    max_size=30,
)


@given(rows=ROWS, shift=st.floats(-1e3, 1e3), unit=st.floats(0.1, 10.0))
def test_scores_move_with_the_unit_and_not_with_its_zero(
    rows: list[tuple[float, float, float, float]], shift: float, unit: float
) -> None:
    outcome, middle, below, above = np.array(rows).T
    here = score_forecasts(outcome, middle, middle - below, middle + above, 0.8)
    low, high = unit * (middle - below) + shift, unit * (middle + above) + shift
    there = score_forecasts(unit * outcome + shift, unit * middle + shift, low, high, 0.8)
    assert there.mae == pytest.approx(unit * here.mae, abs=1e-6)
    assert there.sharpness == pytest.approx(unit * here.sharpness, abs=1e-6)


@given(rows=ROWS, seed=st.integers(0, 100))
def test_the_order_of_forecasts_does_not_matter(
    rows: list[tuple[float, float, float, float]], seed: int
) -> None:
    outcome, middle, below, above = np.array(rows).T
    mixed = np.random.default_rng(seed).permutation(len(outcome))
    here = score_forecasts(outcome, middle, middle - below, middle + above, 0.8)
    there = score_forecasts(
        outcome[mixed], middle[mixed], (middle - below)[mixed], (middle + above)[mixed], 0.8
    )
    assert there.coverage == here.coverage
    assert there.interval_score == pytest.approx(here.interval_score)


@given(rows=ROWS)
def test_the_interval_score_is_at_least_the_width(rows: list[tuple[float, float, float, float]]) -> None:
    outcome, middle, below, above = np.array(rows).T
    score = score_forecasts(outcome, middle, middle - below, middle + above, 0.8)
    assert 0.0 <= score.coverage <= 1.0
    assert score.interval_score >= score.sharpness - 1e-9


def test_unknown_outcomes_are_left_out() -> None:
    score = score_forecasts([1.0, np.nan, 3.0], [1.0, 9.0, np.nan], [0.0, 8.0, 0.0], [2.0, 9.5, 9.0], 0.8)
    assert (score.count, score.mae, score.coverage) == (1, 0.0, 1.0)


def test_never_counts_as_the_cap_in_errors_and_still_covers() -> None:
    inf = np.inf
    score = score_forecasts(
        [24.0], [30.0], [20.0], [inf], 0.8, persistence=[inf], straight_line=[200.0], cap=96.0
    )
    assert score.coverage == 1.0
    assert score.mae == 6.0
    assert score.mae_persistence == score.mae_straight_line == 72.0
    assert score.skill_over_persistence == score.skill_over_straight_line == pytest.approx(1 - 6 / 72)


def test_skill_without_a_plain_forecast_is_not_a_number() -> None:
    score = score_forecasts([1.0], [1.0], [0.0], [2.0], 0.8)
    assert np.isnan(score.skill_over_persistence)
    assert np.isnan(score.skill_over_straight_line)


@given(origin=st.floats(-1e4, 1e4), seed=st.integers(0, 100))
def test_the_straight_line_knows_no_origin_and_no_order(origin: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = rng.uniform(0.0, 40.0, 50)
    value = 70.0 - 0.1 * t + rng.normal(0.0, 0.3, 50)
    value[::7] = np.nan
    assert straight_line(t + origin, value) == pytest.approx(
        straight_line(np.sort(t), value[np.argsort(t)]), abs=1e-6
    )


def test_a_flat_or_rising_line_never_gets_there_and_one_below_is_there() -> None:
    assert straight_line_eta_h([0.0, 1.0], [70.0, 71.0], 60.0) == np.inf
    assert straight_line_eta_h([0.0, 1.0], [60.0, 59.0], 65.0) == 0.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: score_forecasts([1.0], [1.0], [0.0], [2.0], 1.0), "confidence must lie within 0 to 1"),
        (lambda: score_forecasts([1.0], [1.0, 2.0], [0.0], [2.0], 0.8), "middle must be as long as outcome"),
        (lambda: score_forecasts([1.0], [1.0], [3.0], [2.0], 0.8), "low must not be above high"),
        (lambda: score_forecasts([np.nan], [1.0], [0.0], [2.0], 0.8), "at least one known row"),
        (lambda: score_forecasts([1.0], [np.inf], [0.0], [np.inf], 0.8), "must be finite, or cap given"),
        (lambda: score_forecasts([[1.0]], [1.0], [0.0], [2.0], 0.8), "outcome must be one-dimensional"),
        (lambda: straight_line([0.0, 1.0], [1.0]), "of one length"),
        (lambda: straight_line([0.0, 0.0], [1.0, 2.0]), "2 different times"),
        (lambda: straight_line([0.0, 1.0], [1.0, 2.0], 0.0), "window_h must be above 0"),
    ],
)
def test_what_it_cannot_take_is_named_with_its_bound(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        call()
