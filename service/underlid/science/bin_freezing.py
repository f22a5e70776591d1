"""When an outdoor bin reaches freezing: its time constant from its past, and the crossing to come."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import within
from underlid.science.outdoor import OutdoorForecast
from underlid.science.series import Floats, above, bridged, hourly_or_given, same_length

STEP_H = 0.1
_TAU_GRID_H = np.geomspace(1.0, 600.0, 90)  # neighbours differ by 7.5 per cent
_OUTDOOR_C = (-60.0, 60.0)
_OFFSET_C = (-10.0, 30.0)
"""What a bin sits above the air at most, and below it (wet, under a clear sky); common practice, no source. A short
past of a slow bin would let it be anything."""
_HOLE_H = 6.0
_MEMORY_H = 24.0


@dataclass(frozen=True)
class TimeConstant:
    """How a bin follows the outdoor air: time constant (h) with its interval, what it sits above the air
    for its own heat and the ground's (``offset_c``), and how far the model missed (``residual_sd_c``)."""

    tau_h: float
    low_h: float
    high_h: float
    offset_c: float
    residual_sd_c: float
    hours: int


@dataclass(frozen=True)
class FreezingEta:
    """Hours from now until the bin is at the limit, with its interval; inf when not within the forecast.

    ``lowest_c``: lowest temperature expected within the forecast. ``outdoor_source``: where the outdoor
    temperatures came from.
    """

    eta_h: float
    low_h: float
    high_h: float
    lowest_c: float
    outdoor_source: str


def follow(start: float, time_h: Floats, outdoor_c: Floats, tau_h: float) -> Floats:
    """Newton cooling from ``start``: exact for an outdoor temperature that is linear between the times."""
    steps = np.diff(time_h)
    decay = np.exp(-steps / tau_h)
    lag = np.diff(outdoor_c) / steps * tau_h
    # Departure from the quasi-steady value obeys e -> (e - lag) decay + lag, e = temperature - outdoor.
    excess = np.empty_like(outdoor_c)
    excess[0] = e = start - outdoor_c[0]
    for i in range(steps.size):
        e = (e + lag[i]) * decay[i] - lag[i]
        excess[i + 1] = e
    return outdoor_c + excess


def _crossing(time_h: Floats, temp_c: Floats, freeze_c: float) -> float:
    at = np.flatnonzero(temp_c <= freeze_c)
    if not at.size:
        return math.inf
    i = int(at[0])
    if i == 0:
        return 0.0
    part = (temp_c[i - 1] - freeze_c) / (temp_c[i - 1] - temp_c[i])
    return float(time_h[i - 1] + part * (time_h[i] - time_h[i - 1]) - time_h[0])


def _fine(outdoor_c: ArrayLike, time_h: ArrayLike | None) -> tuple[Floats, Floats]:
    outdoor = np.asarray(outdoor_c, dtype=np.float64)
    if outdoor.ndim != 1 or outdoor.size < 2:
        raise ValueError("outdoor_c_forecast must be a series of at least 2 values, the first for now")
    time = hourly_or_given(time_h, outdoor.size)
    outdoor = bridged(time, within("outdoor_c_forecast", outdoor, *_OUTDOOR_C, "C"), "outdoor_c_forecast")
    fine = np.unique(np.concatenate([time, np.arange(time[0], time[-1], STEP_H)]))
    return fine, np.asarray(np.interp(fine, time, outdoor))


def hours_to_freezing(
    bin_c: float,
    outdoor_c_forecast: ArrayLike,
    time_constant_h: float,
    freeze_c: float = 0.0,
    time_h: ArrayLike | None = None,
) -> float:
    """Hours until a bin that follows the outdoor air is down to ``freeze_c``; inf when not in the forecast.

    ``outdoor_c_forecast`` (n >= 2): hourly, the first value for now (or at ``time_h``), linear between;
    NaN is bridged; -60 to 60 C. ``time_constant_h`` above 0. 0 for a bin already at the limit. A bin's own
    heat belongs into the forecast as an offset. Source: Newton's law of cooling, integrated exactly.
    """
    above(time_constant_h, "time_constant_h")
    if not math.isfinite(bin_c):
        raise ValueError(f"bin_c must be a finite number, got {bin_c}")
    fine, outdoor = _fine(outdoor_c_forecast, time_h)
    return _crossing(fine, follow(bin_c, fine, outdoor, time_constant_h), freeze_c)


def hours_to_freezing_interval(
    bin_c: float,
    forecast: OutdoorForecast,
    time_constant: TimeConstant,
    freeze_c: float = 0.0,
    probe_sd_c: float = 0.25,
    confidence: float = 0.8,
) -> FreezingEta:
    """``hours_to_freezing`` with its interval, for a fitted bin and a forecast that knows its own errors.

    The bin's standard error at each hour joins what the outdoor error leaves after the bin has smoothed it
    (an error that forgets itself over 24 h), the uncertain time constant, the model's own misses, and the
    probe.
    The interval's ends are where the lower and the upper temperature at that ``confidence`` (0 to 1)
    reach the limit. What is around the bin counts as -60 to 60 C.
    ValueError outside the domain of ``hours_to_freezing``.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must be above 0 and below 1, got {confidence}")
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    tau = above(time_constant.tau_h, "time_constant.tau_h")
    around = np.clip(forecast.outdoor_c + time_constant.offset_c, *_OUTDOOR_C)
    eta = hours_to_freezing(bin_c, around, tau, freeze_c, forecast.time_h)
    fine, outdoor = _fine(around, forecast.time_h)
    middle = follow(bin_c, fine, outdoor, tau)
    spread = np.interp(fine, forecast.time_h, forecast.sd_c)
    from_air = _smoothed_sd(fine, spread, tau)
    half = 0.5 * (time_constant.high_h - time_constant.low_h) / (2.0 * 1.2816)
    from_tau = follow(bin_c, fine, outdoor, max(tau - half, 0.5 * tau)) - middle
    since = fine - fine[0]
    own = time_constant.residual_sd_c**2 * (1.0 - np.exp(-2.0 * since / tau))
    sd = np.sqrt(from_air**2 + from_tau**2 + own + (probe_sd_c * np.exp(-since / tau)) ** 2)
    return FreezingEta(
        eta_h=eta,
        low_h=min(eta, _crossing(fine, middle - z * sd, freeze_c)),
        high_h=max(eta, _crossing(fine, middle + z * sd, freeze_c)),
        lowest_c=float(middle.min()),
        outdoor_source=forecast.source,
    )


def _smoothed_sd(time_h: Floats, sd_c: Floats, tau_h: float) -> Floats:
    """Standard error that an outdoor error of ``sd_c``, first-order autocorrelated, leaves in the bin.

    Moments of the pair (error x of unit variance, bin y): C = cov(x, y), V = var(y).
    """
    out = np.zeros_like(time_h)
    covariance = variance = 0.0
    for i, step in enumerate(np.diff(time_h).tolist()):
        sd = float(sd_c[i])
        variance += step * 2.0 * (sd * covariance - variance) / tau_h
        covariance += step * (sd / tau_h - covariance * (1.0 / tau_h + 1.0 / _MEMORY_H))
        out[i + 1] = math.sqrt(max(variance, 0.0))
    return out


def bin_time_constant(time_h: ArrayLike, bin_c: ArrayLike, outdoor_c: ArrayLike) -> TimeConstant:
    """Time constant of an outdoor bin from its past, with an 80 % interval.

    ``time_h``, ``bin_c``, ``outdoor_c`` (n,): rising times, uneven spacing, NaN for holes. Averaged to
    hours; holes over 6 h in the outdoor series start anew. For each of 90 trial constants (1 to 600 h) the
    bin is computed through the whole series by Newton cooling and the start and a constant offset (-10 to
    30 C) fitted by least squares; the constant that misses least wins. Hours with the bin below 0.5 C are left out:
    freezing water holds its temperature. The interval is where the misses are not significantly larger,
    counting autocorrelated misses as fewer. ValueError when less than 24 usable hours are left.
    """
    time = np.asarray(time_h, dtype=np.float64)
    time = hourly_or_given(time, time.size)
    inside = same_length(bin_c, time.size, "bin_c")
    outside = same_length(outdoor_c, time.size, "outdoor_c")
    grid, inside_h, outside_h = _hourly(time, inside, outside)
    usable = np.isfinite(inside_h) & (inside_h > 0.5)
    starts = _segment_starts(np.isfinite(outside_h))
    outside_h = bridged(grid, outside_h, "outdoor_c") if grid.size else outside_h
    if usable.sum() < 24:
        raise ValueError(f"bin_c and outdoor_c must share at least 24 hours above 0.5 C, got {usable.sum()}")
    fits = [_fit(tau, grid, inside_h, outside_h, usable, starts) for tau in _TAU_GRID_H]
    losses = np.array([float(residual @ residual) for residual, _ in fits])
    best = int(losses.argmin())
    residual, offset = fits[best]
    n = residual.size
    rho = float(np.clip(residual[1:] @ residual[:-1] / max(losses[best], 1e-12), 0.0, 0.98))
    effective = max(n * (1.0 - rho) / (1.0 + rho), 4.0)
    fine = losses <= losses[best] * (1.0 + 1.2816**2 / effective) + 1e-9
    step = math.sqrt(_TAU_GRID_H[1] / _TAU_GRID_H[0])
    low, high = _TAU_GRID_H[fine][0] / step, _TAU_GRID_H[fine][-1] * step
    return TimeConstant(
        tau_h=float(_TAU_GRID_H[best]),
        low_h=float(low),
        high_h=float(high),
        offset_c=offset,
        residual_sd_c=float(np.sqrt(losses[best] / max(n - 3, 1))),
        hours=int(n),
    )


def _hourly(time: Floats, inside: Floats, outside: Floats) -> tuple[Floats, Floats, Floats]:
    """Hourly means on an even grid, NaN where an hour holds nothing."""
    slot = np.floor(time - time[0] + 1e-9).astype(np.intp)
    size = int(slot[-1]) + 1
    columns = []
    for values in (inside, outside):
        seen = np.isfinite(values)
        count = np.bincount(slot[seen], minlength=size)
        total = np.bincount(slot[seen], weights=values[seen], minlength=size)
        columns.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
    return np.arange(size, dtype=np.float64) + 0.5, columns[0], columns[1]


def _segment_starts(seen: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[int]:
    """Indices where the outdoor series begins, and begins again after a hole of more than six hours."""
    at = np.flatnonzero(seen)
    if not at.size:
        return []
    again = at[1:][np.diff(at) > _HOLE_H]
    return [int(at[0]), *(int(i) for i in again)]


def _fit(
    tau: float,
    grid: Floats,
    inside: Floats,
    outside: Floats,
    usable: np.ndarray[tuple[int], np.dtype[np.bool_]],
    starts: list[int],
) -> tuple[Floats, float]:
    """Misses and offset of the best start and offset for one trial constant."""
    forced, settled = np.zeros(grid.size), np.zeros(grid.size)
    decays = np.zeros((grid.size, len(starts)))
    covered = np.zeros(grid.size, dtype=np.bool_)
    for column, (a, b) in enumerate(zip(starts, [*starts[1:], grid.size], strict=True)):
        forced[a:b] = follow(0.0, grid[a:b], outside[a:b], tau)
        decays[a:b, column] = np.exp(-(grid[a:b] - grid[a]) / tau)
        settled[a:b] = 1.0 - decays[a:b, column]
        covered[a:b] = True
    rows = usable & covered
    design = np.column_stack([settled, decays])[rows]
    target = (inside - forced)[rows]
    solution = np.linalg.lstsq(design, target, rcond=None)[0]
    offset = float(np.clip(solution[0], *_OFFSET_C))
    if offset != solution[0]:
        solution[0] = offset
        solution[1:] = np.linalg.lstsq(design[:, 1:], target - offset * design[:, 0], rcond=None)[0]
    return target - design @ solution, offset
