"""Properties and edges of the moist-air functions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underlid.science.air import dew_point_c, saturation_vapour_pressure_kpa, vapour_pressure_deficit_kpa

temps = st.floats(-45.0, 60.0)
humidities = st.floats(0.1, 100.0)


@given(temps, st.floats(0.01, 20.0))
def test_warmer_air_holds_more(temp_c: float, more: float) -> None:
    assert saturation_vapour_pressure_kpa(temp_c + more) > saturation_vapour_pressure_kpa(temp_c)


@given(temps, humidities)
def test_the_deficit_lies_between_none_and_all(temp_c: float, rh_pct: float) -> None:
    assert 0.0 <= vapour_pressure_deficit_kpa(temp_c, rh_pct) <= saturation_vapour_pressure_kpa(temp_c)


@given(temps)
def test_saturated_air_has_no_deficit_and_is_at_its_dew_point(temp_c: float) -> None:
    assert vapour_pressure_deficit_kpa(temp_c, 100.0) == 0.0
    assert dew_point_c(temp_c, 100.0) == pytest.approx(temp_c, abs=1e-9)


@given(temps, humidities)
def test_the_dew_point_is_never_above_the_air(temp_c: float, rh_pct: float) -> None:
    assert dew_point_c(temp_c, rh_pct) <= temp_c + 1e-9


def test_arrays_come_out_as_arrays_and_a_hole_stays_one() -> None:
    deficit = vapour_pressure_deficit_kpa(np.array([20.0, np.nan, 30.0]), np.array([50.0, 50.0, np.nan]))
    assert np.isnan(deficit).tolist() == [False, True, True]
    assert deficit[0] == vapour_pressure_deficit_kpa(20.0, 50.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: saturation_vapour_pressure_kpa(-45.1), "temp_c must lie within -45 to 100 C, got -45.1"),
        (lambda: saturation_vapour_pressure_kpa(np.array([20.0, 101.0])), "temp_c .* got 101"),
        (lambda: vapour_pressure_deficit_kpa(20.0, 100.1), "rh_pct must lie within 0 to 100 %"),
        (lambda: vapour_pressure_deficit_kpa(20.0, -1.0), "rh_pct must lie within 0 to 100 %"),
        (lambda: dew_point_c(20.0, 0.0), "rh_pct must lie within 0.1 to 100 %"),
        (lambda: dew_point_c(61.0, 50.0), "temp_c must lie within -45 to 60 C"),
    ],
)
def test_what_lies_outside_is_refused_with_its_bound(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        call()
