"""Heat of damp matter, against handbook values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underlid.demo.matter import heat_j, ice_share, temperature_c, vapour_pressure_kpa


@given(
    temp_c=st.floats(-30.0, 60.0),
    dry_kg=st.floats(0.05, 50.0),
    water_kg=st.floats(0.05, 200.0),
    freezing_c=st.floats(-3.0, -0.05),
)
def test_temperature_is_the_inverse_of_heat(
    temp_c: float, dry_kg: float, water_kg: float, freezing_c: float
) -> None:
    heat = heat_j(temp_c, dry_kg, water_kg, freezing_c)
    assert float(temperature_c(heat, dry_kg, water_kg, freezing_c)) == pytest.approx(temp_c, abs=1e-5)


@pytest.mark.parametrize(
    ("water_share", "unfrozen_kj_kgk", "frozen_kj_kgk"),
    # Earle and Earle, Unit Operations in Food Processing, Appendix 7:
    # 4.19 p + 0.84 (1 - p) unfrozen, 2.1 p + 0.84 (1 - p) frozen, worked out by hand.
    [(0.60, 2.850, 1.596), (0.75, 3.3525, 1.785), (0.80, 3.520, 1.848)],
)
def test_specific_heats_are_those_of_the_handbook(
    water_share: float, unfrozen_kj_kgk: float, frozen_kj_kgk: float
) -> None:
    def kj(temp_c: float) -> float:
        return float(heat_j(temp_c, 1.0 - water_share, water_share, -0.001)) / 1000.0

    assert kj(11.0) - kj(10.0) == pytest.approx(unfrozen_kj_kgk, abs=1e-6)
    # With so high a freezing point all but a ten-thousandth of the water is ice at -10 C.
    assert kj(-10.0) - kj(-11.0) == pytest.approx(frozen_kj_kgk, abs=0.01)


def test_latent_heat_of_scraps_is_that_of_the_handbook() -> None:
    # Earle and Earle, Appendix 7: 335 p kJ/kg, 251.25 at a water share of 0.75.
    just_above, frozen = heat_j(np.array([0.0, -0.5]), 0.25, 0.75, -0.0005)
    sensible_j = 0.5 * 1785.0
    assert (just_above - frozen - sensible_j) / 1000.0 == pytest.approx(251.25, rel=2e-3)


def test_ice_grows_as_the_freezing_point_of_the_remaining_water_sinks() -> None:
    # An ideal solution: half the water is ice at twice the initial freezing point (in degrees below 0 C).
    assert ice_share(np.array([1.0, -0.7, -1.4, -7.0]), -0.7) == pytest.approx([0.0, 0.0, 0.5, 0.9])


def test_vapour_pressure_is_that_of_the_published_table() -> None:
    # FAO Irrigation and Drainage Paper 56 (Allen et al. 1998), table 2.3, from memory, to 3 decimals. Another
    # formula than ours: they agree within 0.3 %.
    temp_c = np.array([1.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0])
    table_kpa = [0.657, 0.872, 1.228, 1.705, 2.338, 3.168, 4.243]
    assert vapour_pressure_kpa(temp_c) == pytest.approx(table_kpa, rel=3e-3)
