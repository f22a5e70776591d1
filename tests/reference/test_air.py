"""Moist air against FAO-56, Sensirion's note, psychrolib, MetPy and measured weather.

What was read of FAO-56 itself: nothing. Its example 3 and example 5's inputs were seen on NCL's pages of its
FAO-56 functions (satvpr_temp_fao56, actvpr_rhmean_fao56), examples 4 and 5 in the tests of PyETo; table 2.3
and example 6 are from memory.
"""

from __future__ import annotations

from pathlib import Path

import metpy.calc
import numpy as np
import psychrolib
import pvlib
import pytest
from metpy.units import units

from underlid.science.air import dew_point_c, saturation_vapour_pressure_kpa, vapour_pressure_deficit_kpa

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(
    ("temp_c", "kpa"),
    [
        (1.0, 0.657),
        (5.0, 0.872),
        (10.0, 1.228),
        (15.0, 1.705),
        (18.0, 2.064),
        (20.0, 2.338),
        (24.5, 3.075),
        (25.0, 3.168),
        (30.0, 4.243),
    ],
)
def test_saturation_pressure_is_that_of_fao_56_table_2_3(temp_c: float, kpa: float) -> None:
    assert saturation_vapour_pressure_kpa(temp_c) == pytest.approx(kpa, abs=0.0006)


@pytest.mark.parametrize(("temp_c", "kpa"), [(35.0, 5.623), (40.0, 7.376), (45.0, 9.582), (48.0, 11.163)])
def test_saturation_pressure_of_hot_air_is_that_of_fao_56_table_2_3(temp_c: float, kpa: float) -> None:
    assert saturation_vapour_pressure_kpa(temp_c) == pytest.approx(kpa, abs=0.005)


def test_mean_saturation_pressure_of_fao_56_example_3_is_2_39_kpa() -> None:
    mean = float(np.mean(saturation_vapour_pressure_kpa(np.array([24.5, 15.0]))))
    assert mean == pytest.approx(2.39, abs=0.005)
    # The example's lesson: not the pressure at the mean temperature.
    assert saturation_vapour_pressure_kpa((24.5 + 15.0) / 2) == pytest.approx(2.30, abs=0.005)


def test_psychrometer_of_fao_56_example_4_gives_1_91_kpa() -> None:
    wet = saturation_vapour_pressure_kpa(19.5)
    assert wet == pytest.approx(2.267, abs=0.0006)
    assert wet - 0.000662 * 87.9 * (25.6 - 19.5) == pytest.approx(1.91, abs=0.005)


def test_actual_pressure_of_fao_56_example_5_is_1_70_kpa_and_1_78_from_the_mean_humidity() -> None:
    at_night, by_day = saturation_vapour_pressure_kpa(18.0), saturation_vapour_pressure_kpa(25.0)
    assert (at_night * 0.82 + by_day * 0.54) / 2 == pytest.approx(1.70, abs=0.005)
    assert (at_night + by_day) / 2 * 0.68 == pytest.approx(1.78, abs=0.005)


def test_deficit_of_fao_56_example_6_is_0_91_kpa() -> None:
    # The mean pressure less the mean actual pressure of example 5 equals the mean of the two deficits
    # (printed 0.91, from memory).
    deficit = float(np.mean(vapour_pressure_deficit_kpa(np.array([18.0, 25.0]), np.array([82.0, 54.0]))))
    assert deficit == pytest.approx(0.91, abs=0.006)


def test_deficit_of_fao_56_example_18_is_0_589_kpa() -> None:
    # Uccle: 21.5 and 12.3 C, 63 and 84 % (from memory); es - ea = 0.589 (PyETo: 1.997 - 1.409 = 0.588).
    deficit = float(np.mean(vapour_pressure_deficit_kpa(np.array([21.5, 12.3]), np.array([63.0, 84.0]))))
    assert deficit == pytest.approx(0.589, abs=0.0015)


@pytest.mark.parametrize("temp_c", [0.5, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0])
def test_saturation_pressure_agrees_with_psychrolib_within_two_per_mille(temp_c: float) -> None:
    # psychrolib: Hyland and Wexler, ASHRAE Handbook - Fundamentals 2017, chapter 1, equation 6.
    assert saturation_vapour_pressure_kpa(temp_c) == pytest.approx(
        psychrolib.GetSatVapPres(temp_c) / 1000, rel=0.002
    )


@pytest.mark.parametrize("temp_c", [-20.0, -5.0, 0.0, 15.0, 35.0])
def test_saturation_pressure_agrees_with_metpy_over_water(temp_c: float) -> None:
    expected = metpy.calc.saturation_vapor_pressure(temp_c * units.degC, phase="liquid").to("kPa").magnitude
    assert saturation_vapour_pressure_kpa(temp_c) == pytest.approx(float(expected), rel=0.01)


@pytest.mark.parametrize(("temp_c", "rh_pct"), [(5.0, 80.0), (20.0, 50.0), (30.0, 35.0), (40.0, 90.0)])
def test_deficit_agrees_with_psychrolib(temp_c: float, rh_pct: float) -> None:
    expected = psychrolib.GetSatVapPres(temp_c) - psychrolib.GetVapPresFromRelHum(temp_c, rh_pct / 100)
    assert vapour_pressure_deficit_kpa(temp_c, rh_pct) == pytest.approx(expected / 1000, rel=0.002)


@pytest.mark.parametrize(("temp_c", "rh_pct", "dew_c"), [(25.0, 10.0, -8.77), (50.0, 90.0, 47.90)])
def test_dew_point_is_that_of_the_sensirion_note(temp_c: float, rh_pct: float, dew_c: float) -> None:
    # Sensirion application note "Dew-point calculation" (SHTxx), worked examples, seen in a copy.
    assert dew_point_c(temp_c, rh_pct) == pytest.approx(dew_c, abs=0.005)


@pytest.mark.parametrize(("temp_c", "rh_pct"), [(2.0, 90.0), (10.0, 80.0), (20.0, 50.0), (40.0, 30.0)])
def test_dew_point_agrees_with_psychrolib(temp_c: float, rh_pct: float) -> None:
    expected = psychrolib.GetTDewPointFromRelHum(temp_c, rh_pct / 100)
    assert dew_point_c(temp_c, rh_pct) == pytest.approx(expected, abs=0.05)


def test_dew_point_agrees_with_a_year_of_measured_weather() -> None:
    # Greensboro TMY3 (NREL), shipped in pvlib: dry bulb, humidity and dew point side by side, rounded to
    # 0.1 C and 1 %. Hours with a dew point below 0 C are left out: there its columns part by degrees.
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    year, _ = pvlib.iotools.read_tmy3(path, map_variables=False, coerce_year=1990)
    dry, rh, dew = (year[c].to_numpy(float) for c in ("Dry-bulb (C)", "RHum (%)", "Dew-point (C)"))
    warm = dew >= 0
    assert np.count_nonzero(warm) > 6500
    wrong = dew_point_c(dry[warm], rh[warm]) - dew[warm]
    assert abs(float(np.median(wrong))) < 0.05
    assert float(np.quantile(np.abs(wrong), 0.99)) < 0.3
