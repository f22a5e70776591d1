"""A trend that outliers, holes and slow wander do not fool, and a filter for spikes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from underlid.science.domain import FloatArray

_MAX_POINTS = 64  # pairs grow with the square; more points than this add time, not knowledge
_MAD_TO_SIGMA = 1.4826  # of a normal distribution: 1 / 0.6745
_EFFICIENCY = 0.955  # Theil-Sen against least squares under normal noise, 3/pi (Sen 1968)


@dataclass(frozen=True)
class Trend:
    """A straight line through a series.

    slope: value per hour; low, high: its confidence interval; level: the line's value at the latest time.
    """

    slope: float
    low: float
    high: float
    level: float


def robust_trend(time_h: ArrayLike, value: ArrayLike, confidence: float = 0.8) -> Trend:
    """Theil-Sen slope with an interval that holds for correlated, irregular series.

    time_h, value: shape (n,), hours and any unit, in any order, NaN and holes allowed; at least three
    readings at different times. confidence: 0.5 to 0.999. A series of more than 64 readings is first
    reduced to the medians of 64 equal spans of time.

    The slope is the median of the slopes of all pairs (Theil 1950, Sen 1968). Its variance is that of a
    least-squares slope under the noise's covariance, a white part plus an exponentially correlated one,
    matched to the residuals' covariance by lag *as the fit of the line distorts it*, so that a short series
    with slow wander is not taken for a sure trend. The quantile is Student's, with Satterthwaite's degrees of
    freedom. Where the noise wanders for longer than a quarter of the series the interval is too narrow (80 %
    covers some 60 to 70 %): a wander that long looks like a trend.
    Raises ValueError for shapes that differ, too few readings, or a confidence out of bounds.
    """
    time, val = _clean_pairs(time_h, value)
    if not 0.5 <= confidence <= 0.999:
        raise ValueError(f"confidence must lie within 0.5 to 0.999, got {confidence:g}")
    last = float(time[-1])
    # Counted from the middle in units of the span, so that neither origin nor unit matters.
    middle, span = (time[0] + time[-1]) / 2.0, float(time[-1] - time[0])
    x = (time - middle) / span
    if x.size > _MAX_POINTS:
        x, val = _span_medians(x, val)
    first, second = np.triu_indices(x.size, 1)
    gap = x[second] - x[first]
    apart = gap > 1e-9  # of the span; closer ones say nothing of a slope
    slope = float(np.median((val[second] - val[first])[apart] / gap[apart]))
    centre = float(np.median(val - slope * x))
    half = _half_width(x, val - centre - slope * x, confidence)
    return Trend(
        slope=slope / span,
        low=(slope - half) / span,
        high=(slope + half) / span,
        level=float(centre + slope * (last - middle) / span),
    )


def hampel(
    value: ArrayLike, half_window: int = 3, n_sigma: float = 3.0, floor: float = 0.0
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Replace spikes by the median of their neighbours.

    value: shape (n,), in order of time; NaN is left alone and counts for nothing. A reading is a spike when
    it lies more than n_sigma robust standard deviations (1.4826 times the median absolute deviation, at
    least `floor`, in the value's unit) from the median of the 2 half_window + 1 readings around it; windows
    are cut short at the ends. Returns (cleaned, mask of the spikes). Give `floor` the probe's resolution, or
    every step out of a flat stretch is a spike. Source: the Hampel identifier (Pearson 1999, "Data cleaning
    for dynamic modeling and control").
    Raises ValueError when value is not one-dimensional, half_window < 1, n_sigma < 0 or floor < 0.
    """
    val = np.array(value, dtype=np.float64)
    if val.ndim != 1:
        raise ValueError(f"value must be one-dimensional, got shape {val.shape}")
    if half_window < 1:
        raise ValueError(f"half_window must be at least 1, got {half_window}")
    if n_sigma < 0 or floor < 0:
        raise ValueError(f"n_sigma and floor must be at least 0, got {n_sigma:g} and {floor:g}")
    if val.size == 0:
        return val, np.zeros(0, dtype=np.bool_)
    mask = np.zeros(val.size, dtype=np.bool_)
    near = np.flatnonzero(_farthest(val, half_window) > n_sigma * floor)
    if near.size:
        padded = np.pad(val, half_window, constant_values=np.nan)
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half_window + 1)[near]
        median = _median_of_rows(windows)
        sigma = np.maximum(_MAD_TO_SIGMA * _median_of_rows(np.abs(windows - median[:, None])), floor)
        spike = np.abs(val[near] - median) > n_sigma * sigma
        mask[near[spike]] = True
        val[near[spike]] = median[spike]
    return val, mask


def _farthest(val: FloatArray, half_window: int) -> FloatArray:
    """How far each value lies from the farthest of its neighbours; their median can not lie farther."""
    reach = np.zeros(val.size)
    for apart in range(1, min(half_window, val.size - 1) + 1):
        step = np.abs(val[apart:] - val[:-apart])
        np.fmax(reach[apart:], step, out=reach[apart:])
        np.fmax(reach[:-apart], step, out=reach[:-apart])
    return reach


def _median_of_rows(rows: FloatArray) -> FloatArray:
    """Median of each row without its NaN (NaN for a row of nothing else)."""
    ordered = np.sort(rows, axis=1)  # NaN last
    count = np.isfinite(ordered).sum(axis=1)
    row = np.arange(rows.shape[0])
    return np.asarray((ordered[row, np.maximum(count - 1, 0) // 2] + ordered[row, count // 2]) / 2.0)


def _clean_pairs(time_h: ArrayLike, value: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Finite pairs in order of time."""
    time, val = np.asarray(time_h, dtype=np.float64), np.asarray(value, dtype=np.float64)
    if time.ndim != 1 or time.shape != val.shape:
        raise ValueError(
            f"time_h and value must be one-dimensional and of one length, got {time.shape} and {val.shape}"
        )
    known = np.isfinite(time) & np.isfinite(val)
    time, val = time[known], val[known]
    order = np.argsort(time, kind="stable")
    time, val = time[order], val[order]
    times = np.count_nonzero(np.diff(time)) + 1 if time.size else 0
    if times < 3:
        raise ValueError(f"time_h must have readings at 3 different times or more, got {times}")
    return time, val


def _span_medians(x: FloatArray, val: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Median position and median value of each of the 64 equal spans that has readings."""
    span = np.minimum(((x - x[0]) / (x[-1] - x[0]) * _MAX_POINTS).astype(np.intp), _MAX_POINTS - 1)
    count = np.bincount(span)
    used = np.flatnonzero(count)
    number = count[used]
    lower = (np.cumsum(count) - count)[used] + (number - 1) // 2
    upper = lower + (number + 1) % 2
    # x is in order already; values are put in order within their span, so that one sort gives all medians.
    ordered = val[np.lexsort((val, span))]
    return (x[lower] + x[upper]) / 2.0, (ordered[lower] + ordered[upper]) / 2.0


def _half_width(x: FloatArray, residual: FloatArray, confidence: float) -> float:
    """Half the width of the slope's interval for residuals about a line, x spanning 1."""
    from scipy.special import stdtrit  # here: not needed at the start of the service

    n = x.size
    scale = _MAD_TO_SIGMA * float(np.median(np.abs(residual)))
    # Outliers do not move the median slope, so they must not widen its interval without bound either. Where
    # half of the residuals are nothing but rounding, or there are few, there is no telling an outlier.
    tell = n >= 8 and scale > 1e-9 * float(np.max(np.abs(residual)))
    resid = np.clip(residual, -3.0 * scale, 3.0 * scale) if tell else residual
    basis, _ = np.linalg.qr(np.column_stack([np.ones(n), x]))
    resid = resid - basis @ (basis.T @ resid)
    size = float(np.sqrt(np.mean(resid**2)))
    if size == 0.0:
        return 0.0
    resid = resid / size
    lag = np.abs(x[:, None] - x[None, :])
    # Lag classes: the reading itself, then steps that widen, up to 0.8 of the span. The hair more keeps the
    # lags of an even grid, which fall on an edge, in one class whatever their rounding.
    edges = np.concatenate([[0.0], np.geomspace(1.0 / max(n - 1, 4), 0.8, 9) * (1.0 + 1e-9)])
    group = np.digitize(lag, edges, right=True).ravel()
    np.fill_diagonal(group.reshape(n, n), 0)
    groups = edges.size + 1
    pairs = np.bincount(group, minlength=groups).astype(np.float64)
    use = (pairs > 0) & (np.arange(groups) < edges.size)
    weight = np.sqrt(pairs[use])

    def by_lag(matrix: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(group, weights=matrix.ravel(), minlength=groups)[use] / pairs[use])

    def seen(covariance: FloatArray) -> FloatArray:
        """The covariance of residuals once a line was taken out of noise with this covariance."""
        right = covariance @ basis
        return np.asarray(
            covariance - right @ basis.T - basis @ right.T + basis @ (basis.T @ right) @ basis.T
        )

    found = by_lag(np.outer(resid, resid)) * weight
    white = np.eye(n)
    white_seen = seen(white)
    white_column = by_lag(white_seen) * weight
    columns, errors, mixes = [], [], []
    times = np.geomspace(0.5 / max(n - 1, 4), 3.0, 10)
    reds = np.exp(-lag / times[:, None, None])
    for red in reds:
        columns.append(seen(red))
        white_share, red_share, error = _nonnegative_fit(white_column, by_lag(columns[-1]) * weight, found)
        mixes.append((white_share, red_share))
        errors.append(error)
    # Several correlation times often match about as well, the longer ones with far less certainty about the
    # slope: averaged by how well each matches.
    trust = (np.array(errors) / float(found @ found) + 1e-6) ** -4.0
    trust /= trust.sum()
    shares = trust @ np.array(mixes)
    red_shares = trust * np.array(mixes)[:, 1]
    covariance = shares[0] * white + np.tensordot(red_shares, reds, 1)
    covariance_seen = shares[0] * white_seen + np.tensordot(red_shares, np.array(columns), 1)
    freedom = max(float(np.trace(covariance_seen)) ** 2 / float(np.sum(covariance_seen**2)), 1.0)
    centred = x - x.mean()
    weights = centred / float(centred @ centred)
    variance = float(weights @ covariance @ weights) / _EFFICIENCY
    return size * float(stdtrit(freedom, 0.5 + confidence / 2.0)) * float(np.sqrt(max(variance, 0.0)))


def _nonnegative_fit(a: FloatArray, b: FloatArray, y: FloatArray) -> tuple[float, float, float]:
    """The non-negative p, q that bring p a + q b nearest to y, and the square of what is left."""
    aa, bb, ab, ay, by = float(a @ a), float(b @ b), float(a @ b), float(a @ y), float(b @ y)
    candidates = [(max(ay / aa, 0.0), 0.0), (0.0, max(by / bb, 0.0) if bb > 0 else 0.0)]
    determinant = aa * bb - ab * ab
    if determinant > 1e-9 * aa * bb:
        both = ((bb * ay - ab * by) / determinant, (aa * by - ab * ay) / determinant)
        if min(both) >= 0:
            candidates.append(both)
    fits = [(p, q, float(np.sum((y - p * a - q * b) ** 2))) for p, q in candidates]
    # A few readings are matched by each of them alike: then the first, whatever the rounding.
    good = min(fit[2] for fit in fits) + 1e-9 * float(y @ y)
    return next(fit for fit in fits if fit[2] <= good)
