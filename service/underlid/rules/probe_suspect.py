"""`probe-suspect`: a probe speaks, but what it says can not be, or not all of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underlid.model import Finding, Priority, Quantity, Series, Verdict
from underlid.rules.handling import HOUR_MS
from underlid.rules.situation import LOOK_BACK_H, Sensor, Situation
from underlid.science.quality import SeriesCheck, check_series

RULE = "probe-suspect"
INPUTS = "all its temperature, moisture, humidity and battery readings; twins; the air beside its bin"
_KINDS = {
    Quantity.TEMPERATURE: "temp",
    Quantity.MOISTURE: "moist",
    Quantity.HUMIDITY: "rh",
    Quantity.BATTERY: "batt",
}
COMPARED = (Quantity.TEMPERATURE, Quantity.MOISTURE, Quantity.HUMIDITY)  # what may have a twin
_LOOK_MS = 24 * HOUR_MS
_LEAST_READINGS = 12
_IMPOSSIBLE_SHARE, _SPIKY_SHARE = 0.1, 0.05
_STILL_MS = 6 * HOUR_MS  # what ended longer ago than this, by standing still or lying in the air, is over
_TWIN_LEAST_H = 72.0  # two that lie a hand apart part and meet again within a day
_UNHEARD = "Until then this channel raises no alarms of the bin."
_DOUBTED = "Until then trust your hand more than this channel."
_SIDE_BY_SIDE = {
    Quantity.TEMPERATURE: "Put both side by side into the same damp bedding for an hour; change the one that is off.",
    Quantity.MOISTURE: (
        "Clean both and press them side by side into the same bedding; calibrate again the one that is off."
    ),
    Quantity.HUMIDITY: "Hang both side by side out of the drip for an hour; change the one that is off.",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a channel, since when, and what to do."""

    sensor: Sensor
    since_ms: int
    words: str
    advice: str
    drift_per_day: float | None = None


@dataclass(frozen=True, slots=True)
class Drift:
    """How a channel parts from its twin: change of (this - twin) in its unit, and whether that is sure."""

    per_day: float
    drifting: bool


def judge(situation: Situation) -> Finding:
    judged, found = faults(situation)
    if not judged:
        return Finding(
            RULE, Verdict.UNKNOWN, situation.now_ms, headline=f"{situation.name}: too few readings yet"
        )
    latest = max(int(sensor.series.time_ms[-1]) for sensor in judged)
    if situation.now_ms - latest > _LOOK_MS:
        return Finding(RULE, Verdict.UNKNOWN, latest, headline=f"{situation.name} is silent")
    evidence = tuple(
        (s.channel_id, int(s.series.time_ms[-1]), float(s.series.value[-1]))
        for s in ([fault.sensor for fault in found] or judged)
    )
    if not found:
        headline = f"{situation.name}: its readings are plausible"
        return Finding(RULE, Verdict.CLEAR, latest - _LOOK_MS, headline=headline, evidence=evidence)
    first = min(found, key=lambda fault: fault.since_ms)
    sensor = first.sensor
    return Finding(
        rule=RULE,
        verdict=Verdict.HOLDS,
        since_ms=first.since_ms,
        priority=Priority.ROUND,
        position=sensor.position,
        value=float(sensor.series.value[-1]),
        unit=sensor.unit,
        headline=f"{situation.name}: its {sensor.quantity.value} {first.words}",
        advice=first.advice,
        amounts={} if first.drift_per_day is None else {"drift_per_day": abs(first.drift_per_day)},
        evidence=evidence,
    )


def faults(situation: Situation) -> tuple[list[Sensor], list[Fault]]:
    """The channels that have said enough to be judged, and what is wrong with them."""
    key = (RULE, "faults")
    if key not in situation.memo:
        judged = [s for s in situation.sensors if _kind(s) is not None and len(s.series) >= _LEAST_READINGS]
        found = [fault for fault in map(_fault, judged) if fault is not None]
        situation.memo[key] = judged, found
    remembered = situation.memo[key]
    assert isinstance(remembered, tuple)
    return remembered


def drift(sensor: Sensor) -> Drift | None:
    """How a channel parts from its twin; None without one, or where the two have hardly spoken together."""
    if sensor.twin is None or sensor.quantity not in COMPARED or not _together(sensor):
        return None
    check = _check(sensor)
    return None if check.drift is None else Drift(check.drift.slope * 24.0, check.drifting)


def _kind(sensor: Sensor) -> str | None:
    if sensor.quantity is Quantity.BATTERY and sensor.unit != "V":
        return None
    return _KINDS.get(sensor.quantity)


def _check(sensor: Sensor) -> SeriesCheck:
    kind = _kind(sensor)
    assert kind is not None
    latest = int(sensor.series.time_ms[-1])
    series = sensor.series.since(latest - LOOK_BACK_H * HOUR_MS)

    def beside(other: Series | None) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        return None if other is None or not len(other) else (other.hours(latest), other.value)

    return check_series(
        series.hours(latest),
        series.value,
        kind,
        air=beside(sensor.air),
        twin=beside(sensor.twin.series if sensor.twin else None),
    )


def _together(sensor: Sensor) -> bool:
    """Have both spoken for long enough, and do they still?"""
    assert sensor.twin is not None
    if not len(sensor.series) or not len(sensor.twin.series):
        return False
    own, other = sensor.series.time_ms, sensor.twin.series.time_ms
    end = min(int(own[-1]), int(other[-1]))
    span_h = (end - max(int(own[0]), int(other[0]))) / HOUR_MS
    return span_h >= _TWIN_LEAST_H and int(own[-1]) - end <= _LOOK_MS


def _fault(sensor: Sensor) -> Fault | None:
    """The gravest; None when its readings are plausible."""
    series = sensor.series
    latest = int(series.time_ms[-1])
    check = _check(sensor)
    series = series.since(latest - LOOK_BACK_H * HOUR_MS)
    recent = series.time_ms >= latest - _LOOK_MS
    count = int(np.count_nonzero(recent))
    if check.stuck and check.stuck[-1].end_h * HOUR_MS >= -_STILL_MS and not _plateau(sensor):
        return Fault(
            sensor,
            latest + round(check.stuck[-1].start_h * HOUR_MS),
            f"stands still at {series.value[-1]:.1f}",
            f"Take it out, clean it and see whether it moves. {_UNHEARD}",
        )
    impossible = recent & (check.out_of_range | check.missing)
    if np.count_nonzero(impossible) > max(_IMPOSSIBLE_SHARE * count, 2) or impossible[-3:].all():
        since_ms = int(series.time_ms[int(np.argmax(impossible))])
        advice = f"Look at its plug and cable; a wet joint does this. {_UNHEARD}"
        return Fault(sensor, since_ms, "reads what can not be", advice)
    spiky = recent & check.spike
    if np.count_nonzero(spiky) > max(_SPIKY_SHARE * count, 3):
        since_ms = int(series.time_ms[int(np.argmax(spiky))])
        advice = f"Look at its plug and cable, and press it firmly into the bedding. {_DOUBTED}"
        return Fault(sensor, since_ms, "jumps about", advice)
    if check.out_of_bedding and check.out_of_bedding[-1].end_h * HOUR_MS >= -_STILL_MS:
        since_ms = latest + round(check.out_of_bedding[-1].start_h * HOUR_MS)
        advice = f"Look whether it was pulled or dug out, and press it back to its layer. {_DOUBTED}"
        return Fault(sensor, since_ms, "goes with the air: it seems to be out of the bedding", advice)
    return _drifting(sensor, check)


def _drifting(sensor: Sensor, check: SeriesCheck) -> Fault | None:
    if sensor.twin is None or check.drift is None or not check.drifting or not _together(sensor):
        return None
    per_day = check.drift.slope * 24.0
    unit = "°C" if sensor.quantity is Quantity.TEMPERATURE else "%"
    return Fault(
        sensor,
        max(int(sensor.series.time_ms[0]), int(sensor.twin.series.time_ms[0])),
        f"drifts {'up' if per_day > 0 else 'down'} from its twin {sensor.twin.name}"
        f" by {abs(per_day):.2g} {unit}/day",
        f"One of the two is off. {_SIDE_BY_SIDE[sensor.quantity]} {_DOUBTED}",
        per_day,
    )


def _plateau(sensor: Sensor) -> bool:
    """Freezing feed or bedding stands still at its freezing point for days, and that is no fault."""
    return sensor.quantity is Quantity.TEMPERATURE and -3.0 <= float(sensor.series.value[-1]) <= 0.5
