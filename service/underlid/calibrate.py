"""From raw readings to moisture by the calibrations that are in force."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from underlid.model import CalibrationRecord, Reading, Series
from underlid.science.calibration import Calibration, fit_calibration
from underlid.store import calibrations
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings

HOUR_MS = 3_600_000
COLDEST_C, HOTTEST_C = -60.0, 100.0  # what a calibration can correct for
TEMP_FROM_MS = HOUR_MS  # a temperature says something of a moisture read so much later at most


def curve(record: CalibrationRecord) -> Calibration:
    """The curve through a calibration's points. Raises ValueError for points that allow none."""
    temps = [np.nan if point.temp_c is None else point.temp_c for point in record.points]
    return fit_calibration(
        [point.raw for point in record.points],
        [point.pct_wb for point in record.points],
        np.where(np.isnan(temps), 20.0, temps),
        record.temp_coeff,
        [point.sd_pct for point in record.points],
    )


class Calibrations:
    """The calibrations in force, kept in mind until `forget`."""

    def __init__(self, ledger: Ledger, readings: Readings) -> None:
        self._ledger = ledger
        self._readings = readings
        self._by_channel: dict[int, list[tuple[CalibrationRecord, Calibration]]] = {}
        self._made = 1  # how many were made, as far as was told
        self._known_of = 0  # of these, so many were there when they were looked up last

    def forget(self) -> None:
        """A calibration was made: look them up again."""
        self._made += 1

    def derived(self, readings: Iterable[Reading]) -> list[Reading]:
        """The moisture that raw readings stand for, with the time and arrival of each."""
        known = self._known()
        if not known:
            return []
        groups: dict[tuple[int, int], list[Reading]] = {}
        for reading in readings:
            for index, (record, _) in reversed(list(enumerate(known.get(reading.channel_id, ())))):
                if record.from_ms <= reading.time_ms:
                    groups.setdefault((reading.channel_id, index), []).append(reading)
                    break
        found = []
        for (channel_id, index), group in groups.items():
            record, fitted = known[channel_id][index]
            group.sort(key=lambda reading: reading.time_ms)
            raw = Series(np.array([r.time_ms for r in group]), np.array([r.value for r in group]))
            values = moisture(record, fitted, raw, self._readings)
            found += [
                Reading(record.moisture_id, reading.time_ms, value, reading.received_ms)
                for reading, value in zip(group, values.tolist(), strict=True)
                if np.isfinite(value)
            ]
        return found

    def _known(self) -> dict[int, list[tuple[CalibrationRecord, Calibration]]]:
        if self._known_of != self._made:
            made = self._made  # one that is made while they are looked up is looked up the next time
            with self._ledger.reading() as connection:
                records = calibrations.records(connection)
            by_channel: dict[int, list[tuple[CalibrationRecord, Calibration]]] = {}
            for record in records:
                by_channel.setdefault(record.channel_id, []).append((record, curve(record)))
            self._by_channel, self._known_of = by_channel, made
        return self._by_channel


def moisture(
    record: CalibrationRecord, fitted: Calibration, raw: Series, readings: Readings
) -> NDArray[np.float64]:
    """Moisture, % wet basis, of each raw reading; NaN where the bedding was frozen."""
    if not len(raw):
        return np.empty(0)
    temp_c = None
    if record.temp_id is not None:
        first_ms, last_ms = int(raw.time_ms[0]), int(raw.time_ms[-1])
        temp_c = _temperature(readings.window(record.temp_id, first_ms - TEMP_FROM_MS, last_ms), raw.time_ms)
    values, _ = fitted.apply(raw.value, temp_c)
    return values


def recompute(record: CalibrationRecord, readings: Readings, to_ms: int) -> int:
    """Compute the moisture anew from a calibration's start on; gives how many readings there are now."""
    raw = readings.window(record.channel_id, record.from_ms, to_ms)
    values = moisture(record, curve(record), raw, readings)
    known = np.isfinite(values)
    rows = [
        Reading(record.moisture_id, time_ms, value, time_ms)
        for time_ms, value in zip(raw.time_ms[known].tolist(), values[known].tolist(), strict=True)
    ]
    readings.rewrite(record.moisture_id, record.from_ms, to_ms, rows)
    return len(rows)


def steadiness(raw: Series, now_ms: int) -> tuple[float, float, bool, str]:
    """Middle and scatter of the readings since the probe was last moved, whether a point may be taken, and why not.

    Of the last ten minutes, those count that came after the last one which is more than 2 % off where the probe
    stands now. Steady: at least three of them, which do not drift by more than that (common practice, no source).
    """
    recent = raw.since(now_ms - HOUR_MS // 6)
    if len(recent) < 3:
        return float("nan"), float("nan"), False, "wait for three readings within ten minutes"
    now = float(np.median(recent.value[-3:]))
    allowed = 0.02 * abs(now)
    elsewhere = np.flatnonzero(np.abs(recent.value - now) > allowed)
    here = recent.value[elsewhere[-1] + 1 :] if len(elsewhere) else recent.value
    if len(here) < 3:
        steps = np.diff(recent.value)
        turns = np.sign(steps[np.abs(steps) > allowed])
        if np.any(turns != turns[:1]):
            return (
                now,
                float(np.std(recent.value)),
                False,
                "it jumps about; press the bedding against the probe",
            )
        return now, float("nan"), False, "it was just moved; wait for three readings that agree"
    middle, scatter = float(np.median(here)), float(np.std(here))
    slope = np.polyfit(np.arange(len(here)), here, 1)[0]
    if abs(float(slope)) * (len(here) - 1) > allowed:
        return middle, scatter, False, "it is still moving; leave the probe alone and wait"
    return middle, scatter, True, "steady"


def _temperature(temp: Series, time_ms: NDArray[np.int64]) -> NDArray[np.float64]:
    """The last temperature before each moment; NaN where none is recent."""
    if not len(temp):
        return np.full(len(time_ms), np.nan)
    before = np.searchsorted(temp.time_ms, time_ms, side="right") - 1
    found = temp.value[np.maximum(before, 0)]
    age_ms = time_ms - temp.time_ms[np.maximum(before, 0)]
    sane = (found >= COLDEST_C) & (found <= HOTTEST_C)  # a sensor that came loose says -127
    return np.where((before >= 0) & (age_ms <= TEMP_FROM_MS) & sane, found, np.nan)
