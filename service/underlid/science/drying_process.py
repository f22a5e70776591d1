"""The family of drying courses: a trend with a Gaussian process around it, weighed by how it predicted so far.

The rate wanders as weather does (an integrated Ornstein-Uhlenbeck process); the probe errs daily with temperature,
slowly, and at random. Each member (equilibrium, clock, size of the wander) is weighed by its marginal likelihood, which
is the product of its one-step forecasts of this stretch so far (Rasmussen & Williams 2006, ch. 5, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from underlid.science.domain import FloatArray

MAX_AHEAD_H = 2160.0
"""A crossing later than 90 days counts as never: no trend of a bin holds that long."""

_EQUILIBRIA_DB = (None, 0.2)  # None: constant rate (linear); 0.2: paper or peat in moist air (sorption)
# How much the rate wanders, as a share of itself, and how far the probe drifts (points).
_QUALITIES: FloatArray = np.array([[0.2, 0.2], [0.6, 0.3], [1.2, 0.3]])
_RATE_MEMORY_H = 36.0  # weather passes in a day or two
_RATE_SD = 0.12  # prior of the rate, points per hour: 3 points a day, either way
_SLOWEST = 0.006  # points per hour; below this a share of the rate says nothing about its wander
_DRIFT_H = 30.0
_SWING_SD, _SWING_MEMORY_H = 0.3, 96.0  # daily swing of drying and of a probe's temperature error, points
_SETTLING_SD, _SETTLING_H = 0.5, 8.0  # water just given still spreads for some hours
_CLOCK_PRIOR = (1.0, 10.0)  # evaporation follows the deficit (Dalton) unless the readings say otherwise
_FEW_BLOCKS_NOISE = 0.3  # points, over the root of the blocks: a few that happen to line up are not exact
_LEVEL_SD = 30.0
_SCALE_FREEDOM = 12.0
_MEMBERS_KEPT = 5  # of the family, by share; the rest weigh next to nothing
AHEAD_H: FloatArray = np.concatenate([np.arange(0.0, 72.0, 2.0), np.geomspace(72.0, MAX_AHEAD_H, 28)])


@dataclass(frozen=True, slots=True)
class Clock:
    """Hours of drying, 0 at the last reading: at the blocks, ahead, and the variance of what lies ahead."""

    past: FloatArray
    ahead: FloatArray
    unknown: FloatArray


def mixture(
    t: FloatArray, m: FloatArray, count: FloatArray, clocks: list[Clock]
) -> tuple[FloatArray, FloatArray, bool, int]:
    """Mean and standard deviation ahead (per cent wet basis), and the best member's linearity and clock."""
    x = np.minimum(m, 99.0) / (100.0 - np.minimum(m, 99.0))
    n = len(t)
    # White noise of a block, from second differences, which no trend reaches.
    noise = max(
        _FEW_BLOCKS_NOISE / n**0.5, 1.4826 * float(np.median(np.abs(m[2:] - 2 * m[1:-1] + m[:-2]))) / 6**0.5
    )
    white = noise**2 * np.maximum(np.median(count) / count, 0.5)
    gap = t[:, None] - t[None, :]
    gap_ahead = AHEAD_H[:, None] - t[None, :]
    settled = np.exp((t[0] - t) / _SETTLING_H)
    fixed = np.diag(white) + _SETTLING_SD**2 * settled[:, None] * settled[None, :] + _swing(gap)
    own = integrated(t)
    wandered = (own[:, None] + own[None, :] - integrated(gap)) / 2
    centred = t - t.mean()
    pace = abs(float(centred @ x)) / max(
        float(centred @ centred), 1e-12
    )  # dry basis, so that it holds at the end
    typical = max(pace * 100.0 / (1.0 + float(np.median(x[-3:]))) ** 2, _SLOWEST)

    spread2 = (_QUALITIES[:, 0] * typical)[:, None, None] ** 2
    drift2 = _QUALITIES[:, 1, None, None] ** 2
    errors = fixed + drift2 * np.exp(-np.abs(gap) / _DRIFT_H)  # (qualities, blocks, blocks)
    equilibria = [e for e in _EQUILIBRIA_DB if e is None or e < 0.9 * x.min()]
    y = np.stack([x if e is None else np.log(x - e) for e in equilibria])
    slope = np.stack([100.0 / (1.0 + x) ** 2 * (1.0 if e is None else x - e) for e in equilibria])  # dM/dy
    here = np.median(slope[:, -3:], axis=1)
    stretch = here[:, None] / slope  # an error in points of moisture, seen in y
    target = (y - y[:, -1:]) * here[:, None]
    trend = np.stack([_LEVEL_SD**2 + _RATE_SD**2 * c.past[:, None] * c.past[None, :] for c in clocks])
    scaled = errors[None] * (stretch[:, :, None] * stretch[:, None, :])[:, None]
    # (equilibria, clocks, qualities, blocks, blocks)
    cov = scaled[:, None] + trend[None, :, None] + (spread2 * wandered)[None, None]
    # One factorisation gives both: with the data as a last row, its factor's last row is the data made white.
    bordered = np.empty((*cov.shape[:-2], n + 1, n + 1))
    bordered[..., :n, :n] = cov
    bordered[..., n, :n] = bordered[..., :n, n] = target[:, None, None]
    bordered[..., n, n] = 1e15  # any bound of the misfit
    factor = np.linalg.cholesky(bordered)
    misfit = np.sum(factor[..., n, :n] ** 2, axis=-1)
    log_det = 2.0 * np.log(np.diagonal(factor, axis1=-2, axis2=-1)[..., :n]).sum(-1)
    scale = (_SCALE_FREEDOM + misfit) / (_SCALE_FREEDOM + n)
    # Every member is judged on the same data, per cent wet basis: hence the Jacobian, the sum of log stretch.
    log_like = (
        -0.5 * log_det
        - 0.5 * (_SCALE_FREEDOM + n) * np.log1p(misfit / _SCALE_FREEDOM)
        + np.log(stretch).sum(axis=1)[:, None, None]
        + np.log(_CLOCK_PRIOR[: len(clocks)])[None, :, None]
    )
    share = np.exp(log_like - log_like.max()).ravel()
    share[np.argsort(share)[:-_MEMBERS_KEPT]] = 0.0
    share = (share / share.sum()).reshape(log_like.shape)

    own_ahead = integrated(AHEAD_H)
    wandered_ahead = (own[None, :] + own_ahead[:, None] - integrated(gap_ahead)) / 2
    swing_ahead, drift_ahead = _swing(gap_ahead), np.exp(-np.abs(gap_ahead) / _DRIFT_H)
    means, variances, parts = [], [], []
    for e, c, q in zip(*np.nonzero(share), strict=True):
        ahead = clocks[c].ahead
        cross = (
            _LEVEL_SD**2
            + _RATE_SD**2 * ahead[:, None] * clocks[c].past[None, :]
            + (swing_ahead + drift2[q] * drift_ahead) * stretch[e]
            + spread2[q] * wandered_ahead
        )
        prior = (
            _LEVEL_SD**2
            + _RATE_SD**2 * ahead**2
            + _SWING_SD**2
            + float(drift2[q, 0, 0])
            + float(spread2[q, 0, 0]) * own_ahead
            + typical**2 * clocks[c].unknown
        )
        solved = np.linalg.solve(cov[e, c, q], np.column_stack([cross.T, target[e]]))
        explained = np.sum(cross * solved[:, :-1].T, axis=1)
        y_ahead = y[e, -1] + cross @ solved[:, -1] / here[e]
        equilibrium = equilibria[e]
        if equilibrium is None:
            above = 1.0
            x_ahead = np.maximum(y_ahead, 0.0)
        else:
            above = np.exp(np.minimum(y_ahead, 6.0))
            x_ahead = equilibrium + above
        gain = above * 100.0 / (1.0 + x_ahead) ** 2 / here[e]
        means.append(100.0 * x_ahead / (1.0 + x_ahead))
        variances.append(np.maximum(prior - explained, 1e-9) * scale[e, c, q] * gain**2)
        parts.append(share[e, c, q])
    part = np.array(parts)
    mean = part @ np.array(means)
    sd = np.sqrt(part @ (np.array(variances) + (np.array(means) - mean) ** 2))
    best = np.unravel_index(int(np.argmax(share)), share.shape)
    return mean, sd, equilibria[best[0]] is None, int(best[1])


def integrated(hours: FloatArray) -> FloatArray:
    """Variance of the integral of a wandering rate of unit size over some hours (stationary increments)."""
    u = np.abs(hours) / _RATE_MEMORY_H
    return np.asarray(2.0 * _RATE_MEMORY_H**2 * (u - 1.0 + np.exp(-u)))


def _swing(gap_h: FloatArray) -> FloatArray:
    """Covariance of the daily swing, which keeps its shape for some days."""
    return np.asarray(
        _SWING_SD**2 * np.cos(2 * np.pi * gap_h / 24.0) * np.exp(-np.abs(gap_h) / _SWING_MEMORY_H)
    )
