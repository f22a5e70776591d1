"""What the sensors at one position say together: checked, voted, with how fresh it is."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from underlid.model import Position, Quantity, Series
from underlid.rules.situation import Sensor, Situation
from underlid.science.quality import KINDS
from underlid.science.trend import hampel

LEAST_SILENCE_MS = 30 * 60_000
_RHYTHMS = 3  # silence longer than this many of a channel's own intervals is a gap
_COARSE_TIMES = 3  # a probe that shows coarse steps only may stand still this many times as long
_FINE_STEP = 0.3  # a probe that shows smaller steps than this does not stand still for a day
_STUCK_READINGS = 12

_SPIKES_SINCE_MS = 48 * 3_600_000  # older spikes are no matter for a level, and a trend bears them
_KINDS = {
    Quantity.TEMPERATURE: KINDS["temp"],
    Quantity.MOISTURE: KINDS["moist"],
    Quantity.HUMIDITY: KINDS["rh"],
}
_AIRS = (Quantity.TEMPERATURE, Quantity.HUMIDITY)  # what hangs on nothing but the air's own readings
# Feed that freezes stands still at its freezing point for days.
_PLATEAU_C = (-3.0, 0.5)
_PAIRS = [np.triu_indices(n, 1) for n in range(26)]
_NOTHING = Series(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.float64))


class Quality(StrEnum):
    GOOD = "good"
    SILENT = "silent"
    SUSPECT = "suspect"
    ABSENT = "absent"


@dataclass(frozen=True, slots=True)
class Signal:
    """One quantity at one position: its usable readings, and the longest silence that is no gap."""

    quality: Quality
    why: str
    series: Series
    gap_ms: int
    evidence: tuple[tuple[int, int, float], ...] = ()  # the latest reading of each channel

    @property
    def good(self) -> bool:
        return self.quality is Quality.GOOD

    @property
    def value(self) -> float:
        return float(self.series.value[-1])

    @property
    def latest_ms(self) -> int:
        return int(self.series.time_ms[-1])


def signal(situation: Situation, position: Position, quantity: Quantity) -> Signal:
    """The signal at a position of the subject (at `Position.AIR`: of its place)."""
    key = ("signal", position, quantity)
    of_air = position is Position.AIR and quantity in _AIRS
    memo = situation.air_memo if of_air else situation.memo
    if key not in memo:
        memo[key] = _signal(situation, position, quantity)
    found = memo[key]
    assert isinstance(found, Signal)
    return found


def first_good(situation: Situation, positions: tuple[Position, ...], quantity: Quantity) -> Signal:
    """The signal of the first of the positions that has a good one, else that of the first that has any."""
    signals = [signal(situation, position, quantity) for position in positions]
    return min(signals, key=lambda s: (not s.good, s.quality is Quality.ABSENT))


def gap_ms(time_ms: NDArray[np.int64]) -> int:
    """The longest silence of a channel that breaks nothing: 3 of its own intervals, at least 30 minutes."""
    if len(time_ms) < 3:
        return LEAST_SILENCE_MS
    intervals = np.sort(np.diff(time_ms[-49:]))
    return max(LEAST_SILENCE_MS, _RHYTHMS * int(intervals[len(intervals) // 2]))


def _signal(situation: Situation, position: Position, quantity: Quantity) -> Signal:
    pool = situation.air if position is Position.AIR else situation.sensors
    sensors = [s for s in pool if s.position is position and s.quantity is quantity and len(s.series)]
    if not sensors:
        return Signal(Quality.ABSENT, "no probe is placed there", _NOTHING, LEAST_SILENCE_MS)
    judged = [of_sensor(situation, sensor) for sensor in sensors]
    good = [one for one in judged if one.good]
    if len(good) == 1:
        return good[0]
    if good:
        return _vote(good)
    # Suspect says more than silent.
    return min(judged, key=lambda one: one.quality is not Quality.SUSPECT)


def of_sensor(situation: Situation, sensor: Sensor) -> Signal:
    """What one channel says by itself."""
    time, value = sensor.series.time_ms, sensor.series.value
    gap = gap_ms(time)
    kind = _KINDS.get(sensor.quantity)
    usable = np.isfinite(value) if kind is None else (value >= kind.low) & (value <= kind.high)
    why = f"it reads {value[-1]:.1f}, which can not be" if not usable[-1] else ""
    if sensor.quantity is Quantity.MOISTURE:
        frozen = _frozen(situation, sensor.position, time)
        if usable[-1] and frozen[-1]:
            why = "the bedding is frozen there, and frozen water does not count for a moisture probe"
        usable &= ~frozen
    if not usable.all():
        time, value = time[usable], value[usable]
    fresh = situation.now_ms - gap
    evidence = ((sensor.channel_id, int(sensor.series.time_ms[-1]), float(sensor.series.value[-1])),)
    if not len(time) or time[-1] < fresh:
        late = sensor.series.time_ms[-1] < fresh
        why = "it has been silent for too long" if late else why
        return Signal(Quality.SILENT if late else Quality.SUSPECT, why, Series(time, value), gap, evidence)
    if kind is not None:
        if _stuck(sensor, time, value, kind.stuck_h):
            why = "it has not moved at all for a day or more"
            return Signal(Quality.SUSPECT, why, Series(time, value), gap, evidence)
        recent = int(np.searchsorted(time, time[-1] - _SPIKES_SINCE_MS))
        if len(value) - recent >= 4:
            calm, _ = hampel(value[recent:], half_window=3, n_sigma=4.0, floor=kind.scatter)
            value = np.concatenate([value[:recent], calm])
    return Signal(Quality.GOOD, "", Series(time, value), gap, evidence)


def _frozen(situation: Situation, position: Position | None, time: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Where bedding was frozen, and moisture no reading: water's permittivity is near 88, ice's near 3."""
    others = (position or Position.CORE, Position.CORE, Position.TOP, Position.BASE)
    temp = first_good(situation, others, Quantity.TEMPERATURE).series
    if not len(temp) or float(temp.value.min()) > 0.0:
        return np.zeros(len(time), dtype=np.bool_)
    return np.asarray(np.interp(time, temp.time_ms, temp.value) <= 0.0)


def _stuck(sensor: Sensor, time: NDArray[np.int64], value: NDArray[np.float64], stuck_h: float) -> bool:
    """Is it stuck now? Whatever it did earlier is no matter for the present level."""
    if sensor.position is Position.FEED and _PLATEAU_C[0] <= value[-1] <= _PLATEAU_C[1]:
        return False
    steps = np.abs(np.diff(value))
    moves = np.flatnonzero(steps)
    start = int(moves[-1]) + 1 if len(moves) else 0
    fine = len(moves) > 0 and float(steps[moves].min()) <= _FINE_STEP
    allowed_ms = stuck_h * 3_600_000 * (1 if fine else _COARSE_TIMES)
    return len(time) - start >= _STUCK_READINGS and int(time[-1] - time[start]) >= allowed_ms


def _vote(signals: list[Signal]) -> Signal:
    """Median of those that have a reading no older than their gap, at every time that one of them spoke."""
    times = np.unique(np.concatenate([s.series.time_ms for s in signals]))
    rows = np.full((len(signals), len(times)), np.inf)
    for row, one in zip(rows, signals, strict=True):
        at = np.searchsorted(one.series.time_ms, times, side="right") - 1
        known = (at >= 0) & (times - one.series.time_ms[at] <= one.gap_ms)
        row[known] = one.series.value[at[known]]
    count = np.isfinite(rows).sum(axis=0)
    rows.sort(axis=0)  # those without a reading last
    column = np.arange(len(times))
    median = (rows[(count - 1) // 2, column] + rows[count // 2, column]) / 2.0
    return Signal(
        Quality.GOOD,
        "",
        Series(times, median),
        max(s.gap_ms for s in signals),
        tuple(e for s in signals for e in s.evidence),
    )


def hours_where(one: Signal, mask: NDArray[np.bool_]) -> float:
    """Hours that the readings in the mask stand for: each until the next, or for as long as no gap."""
    if len(one.series) < 2:
        return 0.0
    lasting = np.minimum(np.diff(one.series.time_ms), one.gap_ms)
    return float(lasting[mask[:-1]].sum()) / 3_600_000.0


def theil_sen(time_h: NDArray[np.float64], value: NDArray[np.float64]) -> float:
    """Median slope of all pairs (Theil 1950, Sen 1968); for a few points, at different times."""
    first, second = _PAIRS[len(value)] if len(value) < len(_PAIRS) else np.triu_indices(len(value), 1)
    slopes = np.sort((value[second] - value[first]) / (time_h[second] - time_h[first]))
    count = len(slopes)
    return float(slopes[(count - 1) // 2] + slopes[count // 2]) / 2.0


def thinned(series: Series, step_ms: int) -> Series:
    """Means over steps of time counted back from the latest reading, so that heavy work sees few points."""
    if len(series) < 2:
        return series
    block = (series.time_ms[-1] - series.time_ms) // step_ms
    first = np.concatenate([[0], np.flatnonzero(np.diff(block)) + 1])
    count = np.diff(np.append(first, len(block)))
    origin = series.time_ms[0]
    time = origin + np.add.reduceat(series.time_ms - origin, first) // count
    return Series(time, np.add.reduceat(series.value, first) / count)
