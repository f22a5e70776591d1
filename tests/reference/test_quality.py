"""Fault classes of Dorigo et al. 2013 and data sheets, on measured air temperature and made faults.

Classes seen in the README of TUW-GEO/flagit, which cites Dorigo et al. 2013, Vadose Zone J. 12(3),
doi 10.2136/vzj2012.0097; the paper itself was not opened. The measured series are the hourly weather years
shipped in pvlib (NREL TMY3: Greensboro 723170, Sand Point 703165).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pvlib
import pytest
from scipy.signal import lfilter

from underlid.science.quality import check_series


def _air_c(name: str = "723170TYA.CSV") -> np.ndarray:
    path = Path(pvlib.__file__).parent / "data" / name
    year, _ = pvlib.iotools.read_tmy3(path, map_variables=False, coerce_year=1990)
    return np.asarray(year["Dry-bulb (C)"], dtype=float)


def _damped(air_c: np.ndarray, constant_h: float) -> np.ndarray:
    """A bin's temperature behind the air, first order, hourly."""
    gain = 1 - np.exp(-1 / constant_h)
    return np.asarray(lfilter([gain], [1, gain - 1], air_c - air_c[0]) + air_c[0])


@pytest.mark.parametrize(
    ("reading", "fault"),
    [(85.0, True), (-127.0, True), (25.0625, False), (-10.125, False), (0.0, False)],
)
def test_the_power_on_value_of_a_ds18b20_is_out_of_range(reading: float, fault: bool) -> None:
    # DS18B20 data sheet: 85 C is the power-on register (table 1; that a lone one is a fault: from memory);
    # -127 C is what its drivers give for a lost device (common practice, no source).
    checked = check_series([0.0, 0.25, 0.5, 0.75], [20.0, reading, 20.0, 20.0], "temp")
    assert checked.out_of_range.tolist() == [False, fault, False, False]


@pytest.mark.parametrize(("pct", "fault"), [(-0.1, True), (0.0, False), (100.0, False), (100.5, True)])
def test_moisture_below_nothing_or_above_all_is_out_of_range(pct: float, fault: bool) -> None:
    # Dorigo C01 (below 0) and C02, C03 (above what the material can hold; by mass that is 100 %).
    assert check_series([0.0], [pct], "moist").out_of_range[0] == fault


@pytest.mark.parametrize(("pct", "fault"), [(-6.0, True), (119.0, True), (0.0, False), (100.0, False)])
def test_unclipped_ends_of_an_sht4x_are_out_of_range(pct: float, fault: bool) -> None:
    # Sensirion SHT4x data sheet: RH = -6 + 125 S / 65535 reaches -6 and 119 %, to be clipped to 0..100.
    assert check_series([0.0], [pct], "rh").out_of_range[0] == fault


def test_moisture_beside_a_frozen_thermometer_is_flagged() -> None:
    # Dorigo D01: in-situ soil temperature below 0 C.
    time_h = np.arange(48.0)
    temp = 4.0 * np.cos(time_h / 24 * 2 * np.pi)
    checked = check_series(time_h, 70 + 0.1 * temp, "moist", bedding_temp=(time_h, temp))
    assert np.array_equal(checked.frozen, temp <= 0.0)
    assert not checked.usable[checked.frozen].any()


def test_a_spike_is_found_and_its_neighbours_are_not() -> None:
    # Dorigo D06.
    rng = np.random.default_rng(1)
    time_h = np.cumsum(rng.uniform(0.1, 0.3, 300))
    value = 70 - 0.05 * time_h + rng.normal(0, 0.3, 300)
    for at in (40, 41, 200):
        value[at] += 15.0
    assert np.flatnonzero(check_series(time_h, value, "moist").spike).tolist() == [40, 41, 200]


@pytest.mark.parametrize("size", [-12.0, 12.0])
def test_a_break_down_or_up_is_found_once_with_its_time_and_size(size: float) -> None:
    # Dorigo D07 (negative break) and D08 (positive break).
    rng = np.random.default_rng(2)
    time_h = np.cumsum(rng.uniform(0.1, 0.3, 300))
    value = 70 - 0.05 * time_h + rng.normal(0, 0.3, 300)
    value[150:] += size
    (step,) = check_series(time_h, value, "moist").steps
    assert step.time_h == pytest.approx(time_h[150])
    assert step.size == pytest.approx(size, abs=0.8)


@pytest.mark.parametrize("level", [12.0, 100.0])
def test_a_plateau_low_or_saturated_is_stuck(level: float) -> None:
    # Dorigo D09 (constant low after a drop) and D10 (saturated plateau).
    rng = np.random.default_rng(3)
    time_h = np.arange(0, 96, 0.5)
    value = 70 + rng.normal(0, 0.3, time_h.size)
    value[(time_h >= 30) & (time_h <= 60)] = level
    (span,) = check_series(time_h, value, "moist").stuck
    assert (span.start_h, span.end_h) == (30.0, 60.0)


def test_a_year_of_measured_air_has_no_gap_no_stuck_span_and_hardly_a_spike() -> None:
    air = _air_c()
    checked = check_series(np.arange(air.size), air, "temp")
    assert checked.usual_interval_h == 1.0
    assert checked.gaps == ()
    assert checked.stuck == ()
    assert checked.spike.sum() < 0.01 * air.size


@pytest.mark.parametrize("name", ["723170TYA.CSV", "703165TY.csv"])
def test_a_probe_in_measured_air_is_out_of_the_bedding_and_one_in_a_damped_bin_is_not(name: str) -> None:
    # First-order lag of 12 h (a small bin), then pulled out on day 20 for five days.
    rng = np.random.default_rng(4)
    air = _air_c(name)[24 * 120 : 24 * 160]
    time_h = np.arange(air.size, dtype=float)
    inside = _damped(air, 12.0) + 2.0 + rng.normal(0, 0.1, air.size)
    pulled = np.where((time_h >= 480) & (time_h < 600), air + rng.normal(0, 0.2, air.size), inside)
    assert check_series(time_h, inside, "temp", air=(time_h, air)).out_of_bedding == ()
    spans = check_series(time_h, pulled, "temp", air=(time_h, air)).out_of_bedding
    assert spans
    assert spans[0].start_h >= 480 - 12
    assert spans[-1].end_h <= 600 + 12
    assert sum(s.end_h - s.start_h for s in spans) > 48


def test_drift_against_a_twin_is_the_rate_put_in() -> None:
    rng = np.random.default_rng(5)
    own, other = np.sort(rng.uniform(0, 720, 700)), np.sort(rng.uniform(0, 720, 500))

    def bedding(t: np.ndarray) -> np.ndarray:
        return 70 + 5 * np.sin(t / 60) + np.sin(t / 24 * 2 * np.pi)

    value = bedding(own) + 0.02 * own + rng.normal(0, 0.4, own.size)
    twin = bedding(other) + rng.normal(0, 0.4, other.size)
    checked = check_series(own, value, "moist", twin=(other, twin))
    assert checked.drift is not None
    assert checked.drift.slope == pytest.approx(0.02, rel=0.1)
    assert checked.drifting
    steady = check_series(own, value - 0.02 * own, "moist", twin=(other, twin))
    assert not steady.drifting
