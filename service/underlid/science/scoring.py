"""How good forecasts have been: coverage, error, sharpness, against persistence and a straight line.

A forecast with an interval is judged on both counts: does the interval hold its share of the outcomes (calibration),
and is it narrow (sharpness)? Gneiting, Balabdaoui & Raftery 2007 (from memory): sharpness subject to calibration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import FloatArray


@dataclass(frozen=True, slots=True)
class Score:
    """What a set of forecasts was worth. Errors and widths are in the unit of the outcomes.

    coverage: share of outcomes inside their interval; confidence: the share that was claimed.
    mae: mean absolute error of the middle; bias: mean of forecast less outcome.
    sharpness: mean width of the intervals; interval_score: width plus the penalty for misses (lower is better).
    mae_persistence, mae_straight_line: the same error of the plain forecasts, NaN when they were not given.
    """

    count: int
    confidence: float
    coverage: float
    mae: float
    bias: float
    sharpness: float
    interval_score: float
    mae_persistence: float
    mae_straight_line: float

    @property
    def skill_over_persistence(self) -> float:
        """1 is perfect, 0 no better than saying that nothing changes, negative worse."""
        return 1.0 - self.mae / self.mae_persistence if self.mae_persistence > 0 else float("nan")

    @property
    def skill_over_straight_line(self) -> float:
        """1 is perfect, 0 no better than the straight line through the last day, negative worse."""
        return 1.0 - self.mae / self.mae_straight_line if self.mae_straight_line > 0 else float("nan")


def score_forecasts(
    outcome: ArrayLike,
    middle: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    confidence: float,
    persistence: ArrayLike | None = None,
    straight_line: ArrayLike | None = None,
    cap: float | None = None,
) -> Score:
    """Score forecasts against what came.

    outcome, middle, low, high and the plain forecasts: shape (n,), one unit; rows whose outcome or middle is NaN are
    left out. inf ("it will not happen") is allowed in forecasts of a time; `cap` then stands for it, and for anything
    beyond it, in errors and widths (coverage is judged before). Raises ValueError for shapes that differ, a low above
    its high, an infinite error without a cap, a confidence outside 0..1 or no row left.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie within 0 to 1, got {confidence:g}")
    came = np.asarray(outcome, dtype=np.float64)
    if came.ndim != 1:
        raise ValueError(f"outcome must be one-dimensional, got shape {came.shape}")
    rows = {"middle": middle, "low": low, "high": high}
    if persistence is not None:
        rows["persistence"] = persistence
    if straight_line is not None:
        rows["straight_line"] = straight_line
    given = {name: np.asarray(value, dtype=np.float64) for name, value in rows.items()}
    for name, value in given.items():
        if value.shape != came.shape:
            raise ValueError(f"{name} must be as long as outcome ({came.shape}), got {value.shape}")
    known = ~(np.isnan(came) | np.isnan(given["middle"]))
    if not known.any():
        raise ValueError("outcome must hold at least one known row")
    came = came[known]
    given = {name: value[known] for name, value in given.items()}
    if np.any(given["low"] > given["high"]):
        raise ValueError("low must not be above high")
    inside = (came >= given["low"]) & (came <= given["high"])
    if cap is not None:
        came = np.minimum(came, cap)
        given = {name: np.minimum(value, cap) for name, value in given.items()}
    if not all(np.isfinite(value).all() for value in (came, given["middle"], given["low"], given["high"])):
        raise ValueError("middle, low, high and outcome must be finite, or cap given")
    width = given["high"] - given["low"]
    missed = np.maximum(given["low"] - came, 0.0) + np.maximum(came - given["high"], 0.0)
    return Score(
        count=int(came.size),
        confidence=confidence,
        coverage=float(inside.mean()),
        mae=_mean_absolute_error(given["middle"], came),
        bias=float(np.mean(given["middle"] - came)),
        sharpness=float(width.mean()),
        interval_score=float(np.mean(width + 2.0 / (1.0 - confidence) * missed)),
        mae_persistence=_mean_absolute_error(given.get("persistence"), came),
        mae_straight_line=_mean_absolute_error(given.get("straight_line"), came),
    )


def straight_line(time_h: ArrayLike, value: ArrayLike, window_h: float = 24.0) -> tuple[float, float]:
    """Level at the last reading and slope per hour of the least-squares line through the last `window_h` hours.

    The plain forecast others are measured against. time_h, value: shape (n,), any order, NaN for holes.
    Raises ValueError for shapes that differ, a window not above 0, or fewer than two times in the window.
    """
    time = np.asarray(time_h, dtype=np.float64)
    val = np.asarray(value, dtype=np.float64)
    if time.ndim != 1 or time.shape != val.shape:
        raise ValueError(
            f"time_h and value must be one-dimensional and of one length, got {time.shape} and {val.shape}"
        )
    if not window_h > 0.0:
        raise ValueError(f"window_h must be above 0, got {window_h:g}")
    known = np.isfinite(time) & np.isfinite(val)
    time, val = time[known], val[known]
    if time.size:
        ago = time - time.max()
        ago, val = ago[ago >= -window_h], val[ago >= -window_h]
        centred = ago - ago.mean()
        spread = float(centred @ centred)
        if spread > 0.0:
            slope = float(centred @ val) / spread
            return float(val.mean() - slope * ago.mean()), slope
    raise ValueError("time_h must hold readings at 2 different times or more in the window")


def straight_line_eta_h(time_h: ArrayLike, value: ArrayLike, limit: float, window_h: float = 24.0) -> float:
    """Hours from the last reading until the straight line falls to `limit`: 0 when it has, inf when it never will."""
    level, slope = straight_line(time_h, value, window_h)
    if level <= limit:
        return 0.0
    return (limit - level) / slope if slope < 0.0 else float("inf")


def _mean_absolute_error(forecast: FloatArray | None, outcome: FloatArray) -> float:
    return float("nan") if forecast is None else float(np.mean(np.abs(forecast - outcome)))
