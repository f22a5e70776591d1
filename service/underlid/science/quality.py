"""What is wrong with a series of readings: the fault classes of soil-moisture networks, for bin probes.

Every judgement is made by the series' own rhythm and scatter; no even grid is assumed anywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import FloatArray
from underlid.science.timeline import BoolArray, Series, beside, clock_faults, rhythm
from underlid.science.trend import Trend, hampel, robust_trend


class Span(NamedTuple):
    """A stretch of time, hours."""

    start_h: float
    end_h: float


class Step(NamedTuple):
    """A lasting jump: when, and by how much."""

    time_h: float
    size: float


@dataclass(frozen=True)
class Kind:
    """What a quantity can be, and what its ordinary readings do.

    low, high: outside is a fault; scatter: no spike is looked for within four of it; step: the least lasting
    jump worth a question; stuck_h: unchanged for so long is stuck (inf: may stay the same); drift: how far
    twins may part over a series.
    """

    low: float
    high: float
    scatter: float
    step: float
    stuck_h: float
    drift: float


# Ranges: temp, below a DS18B20's power-on value of 85 C and above the -127 C of a lost one; rh, as an SHT4x
# reports it before clipping (-6 to 119 %) is out; batt, one lithium cell to four dry cells, volts; rssi, dBm.
# Scatter, step, hours and drift: common practice, no source.
KINDS = {
    "temp": Kind(-40.0, 80.0, 0.25, 2.0, 24.0, 1.0),
    "moist": Kind(0.0, 100.0, 1.0, 6.0, 24.0, 5.0),
    "rh": Kind(0.0, 100.0, 2.5, np.inf, 24.0, 5.0),
    "batt": Kind(1.5, 7.0, 0.05, np.inf, np.inf, 0.2),
    "rssi": Kind(-120.0, 0.0, 5.0, np.inf, np.inf, np.inf),
}

_SIDE = 5  # readings on either side that a step is judged by
_DAY_H = 24.0


@dataclass(frozen=True)
class SeriesCheck:
    """Faults of one series.

    Masks have the shape of the series given, True where it fails: missing (NaN), clock (time not to be
    believed), out_of_range, spike, frozen (moisture at or below 0 C). Spans and steps are in order of time.
    drift: the trend of (this - twin) per hour, None without a twin or where the two hardly overlap; drifting:
    whether that is sure (99 %) and, over the time for which both speak, more than twins may part.
    """

    missing: BoolArray
    clock: BoolArray
    out_of_range: BoolArray
    spike: BoolArray
    frozen: BoolArray
    usual_interval_h: float
    gaps: tuple[Span, ...]
    stuck: tuple[Span, ...]
    steps: tuple[Step, ...]
    out_of_bedding: tuple[Span, ...]
    drift: Trend | None
    drifting: bool
    usable: BoolArray
    """Readings with none of the faults above in them: not masked, not stuck, not out of the bedding."""


def check_series(
    time_h: ArrayLike,
    value: ArrayLike,
    kind: str,
    *,
    air: Series | None = None,
    twin: Series | None = None,
    bedding_temp: Series | None = None,
    known_h: Sequence[float] = (),
) -> SeriesCheck:
    """Look through a series for gaps, stuck spans, spikes, steps, and the other faults of a probe.

    time_h, value: shape (n,), hours from any origin, in the order in which the readings came in (only so can
    a clock be seen to run back); NaN counts as missing. kind: 'temp' (C), 'moist' (% wet basis), 'rh' (%),
    'batt' (V) or 'rssi' (dBm). air: air temperature beside the bin, which tells of a 'temp' probe out of the
    bedding; twin: a second probe of the same quantity in the same bin; bedding_temp: temperature at a 'moist'
    probe; known_h: times at which the keeper wetted, fed or turned the bin, within 2 h of which a step is no
    fault. Raises ValueError for shapes that differ or another kind.

    The classes follow the quality flags of the International Soil Moisture Network (Dorigo et al. 2013,
    Vadose Zone J. 12(3)): out of range C01 to C03, frozen D01, spike D06, breaks D07 and D08, constant D09
    and D10.
    """
    time, val = np.asarray(time_h, dtype=np.float64), np.asarray(value, dtype=np.float64)
    if time.ndim != 1 or time.shape != val.shape:
        raise ValueError(f"time_h and value must be of one length, got shapes {time.shape} and {val.shape}")
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {kind!r}")
    limits = KINDS[kind]
    missing = ~np.isfinite(val)
    clock = clock_faults(time)
    out_of_range = ~missing & ((val < limits.low) | (val > limits.high))
    frozen = np.zeros(time.shape, dtype=np.bool_)
    if kind == "moist" and bedding_temp is not None:
        frozen = beside(bedding_temp, time) <= 0.0

    sound = np.flatnonzero(~(missing | clock | out_of_range))
    sound = sound[np.argsort(time[sound], kind="stable")]
    t, v = time[sound], val[sound]
    interval, longest = rhythm(t)
    spike = np.zeros(time.shape, dtype=np.bool_)
    spiky = hampel(v, half_window=3, n_sigma=4.0, floor=limits.scatter)[1]
    spike[sound[spiky]] = True
    calm_t, calm_v = t[~spiky], v[~spiky]

    stuck = _stuck(t, v, limits.stuck_h, longest)
    outside = _out_of_bedding(calm_t, calm_v, air) if kind == "temp" and air is not None else ()
    drift, together_h = _drift(calm_t, calm_v, twin) if twin is not None else (None, 0.0)
    bad = missing | clock | out_of_range | spike | frozen
    for span in stuck + outside:
        bad |= (time >= span.start_h) & (time <= span.end_h)
    return SeriesCheck(
        missing=missing,
        clock=clock,
        out_of_range=out_of_range,
        spike=spike,
        frozen=frozen,
        usual_interval_h=interval,
        gaps=tuple(Span(float(t[i]), float(t[i + 1])) for i in np.flatnonzero(np.diff(t) > longest)),
        stuck=stuck,
        steps=_steps(calm_t, calm_v, limits.step, longest, known_h),
        out_of_bedding=outside,
        drift=drift,
        drifting=drift is not None
        and (drift.low > 0.0 or drift.high < 0.0)
        and abs(drift.slope) * together_h > limits.drift,
        usable=~bad,
    )


def _stuck(t: FloatArray, v: FloatArray, stuck_h: float, longest: float) -> tuple[Span, ...]:
    """Runs of one and the same value for stuck_h or longer, eight readings or more, no gap in them."""
    if t.size == 0:
        return ()
    breaks = np.flatnonzero((np.diff(v) != 0) | (np.diff(t) > longest)) + 1
    starts = np.concatenate([[0], breaks])
    ends = np.concatenate([breaks, [t.size]]) - 1
    long = (t[ends] - t[starts] >= stuck_h) & (ends - starts >= 7)
    return tuple(Span(float(t[a]), float(t[b])) for a, b in zip(starts[long], ends[long], strict=True))


def _steps(
    t: FloatArray, v: FloatArray, least: float, longest: float, known_h: Sequence[float]
) -> tuple[Step, ...]:
    """Jumps between two neighbouring readings that stand out from the series' changes and last."""
    if t.size < 2 * _SIDE or not np.isfinite(least):
        return ()
    jump = np.diff(v)
    if not np.any(np.abs(jump) >= least):  # the usual case, and the rest is dear
        return ()
    noise = 1.4826 * float(np.median(np.abs(jump - np.median(jump))))
    windows = np.lib.stride_tricks.sliding_window_view
    level = np.median(windows(v, _SIDE), axis=1)
    spread = np.ptp(windows(v, _SIDE), axis=1)
    at = np.arange(_SIDE - 1, t.size - _SIDE)  # the last reading before the jump
    before, after = at - _SIDE + 1, at + 1
    lasting = level[after] - level[before]
    # Steady change also sets the levels apart; in a step nearly all of it happens in one interval.
    found = (
        (np.abs(jump[at]) >= max(least, 6.0 * noise))
        & (np.diff(t)[at] <= longest)
        & (lasting * np.sign(jump[at]) >= 0.7 * np.abs(jump[at]))
        & (np.maximum(spread[before], spread[after]) <= 0.5 * np.abs(jump[at]))
    )
    known = np.asarray(known_h, dtype=np.float64)
    return tuple(
        Step(float(t[i + 1]), float(lasting[i - _SIDE + 1]))
        for i in at[found]
        if not np.any(np.abs(known - t[i + 1]) <= 2.0)
    )


def _out_of_bedding(t: FloatArray, v: FloatArray, air: Series) -> tuple[Span, ...]:
    """Days over which the probe does what the air does, at once and in full.

    Bedding damps the daily swing and lags behind it; a probe in the air has neither. Over each day, moved on
    by quarters, both are freed of their straight line; the probe is outside when it then goes with the air
    (slope above 0.7, correlation above 0.9) and stays near it (median apart below 2 C) while the air swings
    enough to tell (standard deviation above 0.5 C).
    """
    air_c = beside(air, t)
    both = np.isfinite(air_c)
    t, v, air_c = t[both], v[both], air_c[both]
    if t.size < 8:
        return ()
    starts = np.arange(t[0], t[-1] - 0.75 * _DAY_H, _DAY_H / 4.0)
    first, end = np.searchsorted(t, starts), np.searchsorted(t, starts + _DAY_H)
    enough = (end - first >= 8) & (t[np.maximum(end, 1) - 1] - t[first] >= 0.75 * _DAY_H)
    first, end = first[enough], end[enough]
    count = end - first
    x, swing, follow = t - t.mean(), air_c - air_c.mean(), v - v.mean()

    def shared(one: FloatArray, other: FloatArray) -> FloatArray:
        """Sums over each day of the product of two series, each freed of its mean there."""
        run = [np.concatenate([[0.0], np.cumsum(y)]) for y in (one * other, one, other)]
        both, left, right = (y[end] - y[first] for y in run)
        return np.asarray(both - left * right / count)

    by_time, air_by_time, own_by_time = shared(x, x), shared(x, swing), shared(x, follow)
    power = shared(swing, swing) - air_by_time**2 / by_time
    own = np.maximum(shared(follow, follow) - own_by_time**2 / by_time, 0.0)
    common = shared(swing, follow) - air_by_time * own_by_time / by_time
    alike = (power > 0.25 * count) & (common > 0.7 * power)
    alike[alike] &= common[alike] > 0.9 * np.sqrt(power[alike] * own[alike])
    days: list[Span] = []
    for a, b in zip(first[alike], end[alike], strict=True):
        if np.median(np.abs(v[a:b] - air_c[a:b])) < 2.0:
            day = Span(float(t[a]), float(t[b - 1]))
            if days and day.start_h <= days[-1].end_h:
                days[-1] = Span(days[-1].start_h, day.end_h)
            else:
                days.append(day)
    return tuple(days)


def _drift(t: FloatArray, v: FloatArray, twin: Series) -> tuple[Trend | None, float]:
    """Trend of the difference from the twin where both speak, and over how many hours they do."""
    apart = v - beside(twin, t)
    known = np.isfinite(apart)
    if np.unique(t[known]).size < 8:
        return None, 0.0
    return robust_trend(t[known], apart[known], confidence=0.99), float(np.ptp(t[known]))
