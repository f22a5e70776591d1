"""How long until a drying layer reaches a moisture limit, with an interval.

Drying is computed in dry-basis moisture X (kg water per kg dry matter), where a layer's water balance is linear:
first order towards an equilibrium (Lewis/Newton, dX/dt = -k (X - Xe)) or at a constant rate (dX/dt = -r). In
wet-basis per cent the same process is neither.

`drying_process` weighs a family of such courses, `drying_clock` lets the air drive them.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import FloatArray
from underlid.science.drying_clock import vpd_clock
from underlid.science.drying_process import AHEAD_H, Clock, mixture

_BLOCKS = 40  # of a stretch: enough for its trend, few enough to be fast
_STEP_PCT = 2.0  # a rise or fall within hours that only wetting, turning or a moved probe gives


@dataclass(frozen=True, slots=True)
class DryingForecast:
    """Hours from the last reading until the limit: the middle, and an interval at `confidence`.

    The limit counts as met when the reading first touches it, be it in a dip: `eta_h` is as likely early as late, and
    comes a little before the middle of `curve` gets there. Each is inf when it lies beyond 90 days, 0 when it is past.
    `model` and `clock` name what predicted this stretch best so far ("exponential" or "linear"; "hours" or "vpd").
    `since_h` is where the stretch begins, on the clock of the readings.
    """

    eta_h: float
    low_h: float
    high_h: float
    confidence: float
    limit_pct_wb: float
    now_pct_wb: float
    rate_pct_wb_per_h: float
    model: str
    clock: str
    since_h: float
    _mean: FloatArray
    _sd: FloatArray

    def curve(self, ahead_h: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Middle, lower and upper moisture (per cent wet basis) at hours after the last reading, for a chart."""
        ahead = np.asarray(ahead_h, dtype=np.float64)
        mean = np.interp(ahead, AHEAD_H, self._mean)
        half = _z(self.confidence) * np.interp(ahead, AHEAD_H, self._sd)
        return mean, np.clip(mean - half, 0.0, 100.0), np.clip(mean + half, 0.0, 100.0)


def forecast_drying(
    time_h: ArrayLike,
    pct_wb: ArrayLike,
    limit_pct_wb: float,
    vpd_kpa: ArrayLike | None = None,
    confidence: float = 0.8,
) -> DryingForecast:
    """Forecast when a layer dries to `limit_pct_wb`.

    time_h: hours, shape (n,), any origin, any order, any spacing. pct_wb: per cent wet basis, shape (n,); NaN is a
    hole. The stretch since the last sudden step (wetting, turning) is found here; pass a slice to decide it yourself.
    vpd_kpa: vapour pressure deficit of the air over the layer, shape (n,), NaN for holes. Rows later than the last
    moisture reading, with NaN moisture, are taken as a forecast of the deficit.
    Raises ValueError for shapes that differ, a limit outside 0..100, moisture outside 0..100, a negative deficit, a
    confidence outside 0..1, or fewer than three readings.
    """
    time, moist, vpd = _checked(time_h, pct_wb, limit_pct_wb, vpd_kpa, confidence)
    known = np.isfinite(moist)
    ago, seen = time[known] - time[known][-1], moist[known]
    start = _stretch_start(ago, seen)
    inside = ago >= start
    t, m, count = _block_medians(ago[inside], seen[inside], max(0.1, -start / _BLOCKS))
    clocks = [Clock(t, AHEAD_H, np.zeros_like(AHEAD_H))]
    if vpd is not None and np.count_nonzero(np.isfinite(vpd)) >= 2:
        clocks.append(vpd_clock(time - time[known][-1], vpd, t))
    mean, sd, linear, clock = mixture(t, m, count, clocks)
    reached = _reached(mean, sd, limit_pct_wb)
    return DryingForecast(
        eta_h=_reaches(reached, 0.5),
        low_h=_reaches(reached, 0.5 - confidence / 2),
        high_h=_reaches(reached, 0.5 + confidence / 2),
        confidence=confidence,
        limit_pct_wb=limit_pct_wb,
        now_pct_wb=float(mean[0]),
        rate_pct_wb_per_h=float((mean[1] - mean[0]) / AHEAD_H[1]),
        model="linear" if linear else "exponential",
        clock="vpd" if clock else "hours",
        since_h=float(time[known][-1] + start),
        _mean=mean,
        _sd=sd,
    )


def _z(confidence: float) -> float:
    return NormalDist().inv_cdf(0.5 + confidence / 2)


def _checked(
    time_h: ArrayLike, pct_wb: ArrayLike, limit: float, vpd_kpa: ArrayLike | None, confidence: float
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    time = np.asarray(time_h, dtype=np.float64)
    moist = np.asarray(pct_wb, dtype=np.float64)
    if time.ndim != 1 or time.shape != moist.shape:
        raise ValueError(
            f"time_h and pct_wb must be one-dimensional and of one length, got {time.shape} and {moist.shape}"
        )
    if not 0.0 < limit < 100.0:
        raise ValueError(f"limit_pct_wb must lie between 0 and 100, got {limit:g}")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence:g}")
    if not np.isfinite(time).all():
        raise ValueError("time_h must be finite")
    seen = moist[np.isfinite(moist)]
    if seen.size < 3:
        raise ValueError(f"pct_wb must hold at least 3 readings, got {seen.size}")
    if seen.min() < 0.0 or seen.max() > 100.0:
        raise ValueError(f"pct_wb must lie within 0 to 100, got {seen.min():g} to {seen.max():g}")
    vpd = None
    if vpd_kpa is not None:
        vpd = np.asarray(vpd_kpa, dtype=np.float64)
        if vpd.shape != time.shape:
            raise ValueError(f"vpd_kpa must be as long as time_h ({time.shape}), got {vpd.shape}")
        if np.any(vpd < 0.0):
            raise ValueError(f"vpd_kpa must be at least 0, got {np.nanmin(vpd):g}")
    if np.any(np.diff(time) < 0):
        order = np.argsort(time, kind="stable")
        time, moist = time[order], moist[order]
        vpd = None if vpd is None else vpd[order]
    return time, moist, vpd


def _block_medians(
    ago: FloatArray, value: FloatArray, width_h: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean time and median value per block counted back from the last reading, and the readings in each."""
    block = np.floor(-ago / width_h).astype(np.int64)
    order = np.lexsort((value, block))
    ordered = block[order]
    first = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
    count = np.diff(np.append(first, len(order)))
    middle = (value[order[first + (count - 1) // 2]] + value[order[first + count // 2]]) / 2
    return (np.add.reduceat(ago[order], first) / count)[::-1], middle[::-1], count[::-1].astype(np.float64)


def _stretch_start(ago: FloatArray, moist: FloatArray) -> float:
    """Hours (negative) of the first reading after the last sudden step that stayed; of the first without one."""
    t, m, _ = _block_medians(ago, moist, 1.0)
    if len(t) < 6:
        return float(ago[0])
    noise = 1.4826 * float(np.median(np.abs(np.diff(m))))
    before = (m[:-4] + m[1:-3]) / 2
    after = (m[3:-1] + m[4:]) / 2
    large = (np.abs(after - before) > max(_STEP_PCT, 6.0 * noise)) & (t[4:] - t[:-4] <= 8.0)
    steps = np.flatnonzero(large)
    if len(steps) == 0:
        return float(ago[0])
    return float(t[min(int(steps[-1]) + 3, len(t) - 3)] - 0.5)


def _reached(mean: FloatArray, sd: FloatArray, limit: float) -> FloatArray:
    """Probability that the limit was met by each hour ahead, be it only in a dip.

    First passage of a Brownian motion with drift (the reflection principle: Cox & Miller 1965, ch. 5, from memory),
    with the fall and the variance forecast for each hour: P = Phi(a) + exp(2 d m / s^2) Phi(-b), where d is the way
    to go, m the fall, s the standard deviation, a = (m - d)/s, b = (m + d)/s; the last term is phi(a) times Mills'
    ratio of b, which 2/(b + sqrt(b^2 + 8/pi)) bounds closely.
    """
    to_go, fall = mean[0] - limit, mean[0] - mean
    a, b = (fall - to_go) / sd, np.maximum((fall + to_go) / sd, 0.0)
    there = np.array([0.5 * erfc(-x / 2**0.5) for x in a.tolist()])
    dip = np.exp(-(a**2) / 2) / (2 * np.pi) ** 0.5 * 2.0 / (b + np.sqrt(b**2 + 8 / np.pi))
    return np.asarray(
        np.maximum.accumulate(np.where(to_go > 0.0, np.minimum(there + dip, 1.0), np.maximum(there, 0.5)))
    )


def _reaches(probability: FloatArray, level: float) -> float:
    """Hours ahead at which a rising probability reaches a level; inf when it does not."""
    if probability[-1] < level:
        return float("inf")
    i = int(np.argmax(probability >= level))
    if i == 0:
        return 0.0
    part = (level - probability[i - 1]) / (probability[i] - probability[i - 1])
    return float(AHEAD_H[i - 1] + part * (AHEAD_H[i] - AHEAD_H[i - 1]))
