"""Calibrating a probe: from raw counts to moisture, now and in the past."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from underlid.calibrate import Calibrations, recompute, steadiness
from underlid.model import CalibrationPoint, CalibrationRecord, Probe, Quantity, Reading, Series
from underlid.store import calibrations, catalogue
from underlid.store.ledger import Ledger
from underlid.store.sqlite_readings import SqliteReadings

HOUR_MS = 3_600_000
DRY, WET = CalibrationPoint(3000.0, 40.0, 2.0), CalibrationPoint(1500.0, 80.0, 2.0)


class Stores:
    def __init__(self, folder: Path) -> None:
        self.ledger = Ledger(f"sqlite:///{folder / 'catalogue.db'}")
        self.readings = SqliteReadings(folder / "readings.db")
        with self.ledger.writing() as connection:
            catalogue.save_probe(connection, Probe("p1", "p1", 0))
            add = catalogue.register_channel
            self.raw = add(connection, "p1", "moist", "count", Quantity.MOISTURE_RAW)
            self.moist = add(connection, "p1", "moist", "%", Quantity.MOISTURE)
            self.temp = add(connection, "p1", "temp", "Cel", Quantity.TEMPERATURE)

    def calibrate(self, from_ms: int, *points: CalibrationPoint, **changes: object) -> CalibrationRecord:
        record = CalibrationRecord(0, self.raw.id, self.moist.id, 0, from_ms, from_ms, points)
        with self.ledger.writing() as connection:
            return calibrations.add(connection, replace(record, **changes))  # type: ignore[arg-type]


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    opened = Stores(tmp_path)
    yield opened
    opened.readings.close()
    opened.ledger.close()


def test_a_raw_reading_becomes_moisture_by_the_version_of_its_time(stores: Stores) -> None:
    # Straight interpolation between two points: half way in counts is half way in per cent.
    stores.calibrate(1000, DRY, WET)
    stores.calibrate(5000, DRY, replace(WET, pct_wb=90.0))
    raw = [Reading(stores.raw.id, time_ms, 2250.0, time_ms + 1) for time_ms in (500, 2000, 6000)]
    found = Calibrations(stores.ledger, stores.readings).derived(raw)
    assert [(r.channel_id, r.time_ms, r.received_ms) for r in found] == [
        (stores.moist.id, 2000, 2001),
        (stores.moist.id, 6000, 6001),
    ]
    assert [r.value for r in found] == pytest.approx([60.0, 65.0])


def test_a_calibration_made_later_counts_once_forgotten(stores: Stores) -> None:
    known = Calibrations(stores.ledger, stores.readings)
    reading = Reading(stores.raw.id, 2000, 2250.0, 2000)
    assert known.derived([reading]) == []
    stores.calibrate(0, DRY, WET)
    known.forget()
    assert [r.value for r in known.derived([reading])] == pytest.approx([60.0])


def test_temperature_corrects_and_frozen_bedding_has_no_moisture(stores: Stores) -> None:
    # 4 counts a degree: 2290 at 30 C is 2250 at the reference of 20 C.
    stores.readings.add(
        [
            Reading(stores.temp.id, HOUR_MS, 30.0, 0),
            Reading(stores.temp.id, 3 * HOUR_MS, -1.0, 0),
        ]
    )
    stores.calibrate(0, DRY, WET, temp_coeff=4.0, temp_id=stores.temp.id)
    raw = [
        Reading(stores.raw.id, HOUR_MS + 1000, 2290.0, 0),
        Reading(stores.raw.id, 3 * HOUR_MS + 1000, 2290.0, 0),
    ]
    [warm] = Calibrations(stores.ledger, stores.readings).derived(raw)
    assert (warm.time_ms, warm.value) == (HOUR_MS + 1000, pytest.approx(60.0))


def test_the_past_is_computed_anew_and_the_raw_counts_stay(stores: Stores) -> None:
    times = range(0, 10 * HOUR_MS, HOUR_MS)
    stores.readings.add([Reading(stores.raw.id, t, 1500.0 + t / HOUR_MS * 100, t) for t in times])
    stores.readings.add(
        [Reading(stores.moist.id, 0, 11.0, 0), Reading(stores.moist.id, 5 * HOUR_MS, 12.0, 0)]
    )
    record = stores.calibrate(2 * HOUR_MS, DRY, WET)
    assert recompute(record, stores.readings, 10 * HOUR_MS) == 8
    moist = stores.readings.window(stores.moist.id, 0, 10 * HOUR_MS)
    assert moist.value[0] == 11.0  # before the calibration's start nothing changes
    expected = 80.0 - (np.arange(2, 10) * 100) / 1500 * 40
    np.testing.assert_allclose(moist.value[1:], expected)
    assert len(stores.readings.window(stores.raw.id, 0, 10 * HOUR_MS)) == 10


@pytest.mark.parametrize(
    ("values", "steady", "words"),
    [
        ([2250, 2251, 2249, 2250], True, "steady"),
        ([2250, 2251], False, "three readings"),
        ([2000, 2100, 2200, 2300], False, "just moved"),
        ([2200, 2212, 2224, 2236, 2248, 2260], False, "still moving"),
        ([3000, 3001, 2999, 1500, 1502], False, "just moved"),
        ([3000, 3001, 2999, 1500, 1502, 1501], True, "steady"),
        ([2100, 2400, 2110, 2390, 2250], False, "jumps about"),
    ],
)
def test_a_point_is_taken_only_from_a_steady_reading(values: list[float], steady: bool, words: str) -> None:
    times = np.arange(len(values), dtype=np.int64) * 60_000
    _, _, found, said = steadiness(Series(times, np.array(values, dtype=float)), int(times[-1]))
    assert (found, words in said) == (steady, True)
