"""A tub of scraps in the frost."""

import math
from itertools import pairwise

import pytest

from underlid.demo.tub import SHELLS, Tub, fill_tub, step_tub


def hours_until(tub: Tub, ice: float, air_c: float) -> float:
    """Hours in steady air until this share of the water is ice."""
    hours = 0.0
    while tub.ice_share < ice:
        step_tub(tub, 300.0, air_c)
        hours += 300.0 / 3600.0
        assert hours < 2000.0
    return hours


def test_heat_lost_to_the_air_is_heat_no_longer_there() -> None:
    tub = fill_tub(0.4, 0.4, 8.0, -0.7, 88.0, 12.0)
    before = tub.heat_j.sum()
    for air_c, steps in ((-12.0, 700), (9.0, 500)):
        for _ in range(steps):
            step_tub(tub, 300.0, air_c)
    assert tub.heat_j.sum() - before == pytest.approx(tub.conducted_j, rel=1e-9)


def test_the_shells_hold_what_the_cylinder_holds() -> None:
    tub = fill_tub(0.4, 0.3, 8.0, -0.7, 85.0, 5.0)
    assert len(tub.heat_j) == SHELLS
    assert (tub.dry_kg + tub.water_kg).sum() == pytest.approx(720.0 * math.pi * 0.2**2 * 0.3)
    assert tub.water_kg.sum() / (tub.dry_kg + tub.water_kg).sum() == pytest.approx(0.85)
    assert tub.temp_c == pytest.approx([5.0] * SHELLS)


@pytest.mark.parametrize(("diameter_m", "air_c"), [(0.26, -10.0), (0.40, -8.0), (0.40, -20.0)])
def test_freezing_through_takes_about_as_long_as_planks_equation_says(
    diameter_m: float, air_c: float
) -> None:
    # Plank: t = rho L / (Tf - Ta) (P a / h + R a^2 / k), P = 1/6, R = 1/24 for a sphere, and for a cylinder
    # as high as it is wide (same surface per volume). It leaves out pre-cooling and sub-cooling, so the
    # scraps start at their freezing point, and a dilute juice freezes at nearly one temperature.
    tub = fill_tub(diameter_m, diameter_m, 8.0, -0.05, 80.0, -0.04)
    latent_j_m3 = 720.0 * 0.80 * 335_000.0
    per_kelvin = diameter_m / (6.0 * 8.0) + diameter_m**2 / (24.0 * 1.6)
    plank_h = latent_j_m3 / (-0.05 - air_c) * per_kelvin / 3600.0
    assert hours_until(tub, 0.97, air_c) == pytest.approx(plank_h, rel=0.2)


def test_the_middle_waits_at_the_freezing_point_then_falls() -> None:
    tub = fill_tub(0.3, 0.3, 8.0, -0.7, 85.0, 8.0)
    middle = []
    for _ in range(12 * 24 * 6):
        step_tub(tub, 300.0, -8.0)
        middle.append(float(tub.temp_c[0]))
    waiting = [t for t in middle if -1.0 < t < -0.5]
    assert len(waiting) > 12 * 12
    assert middle[-1] < -6.0
    assert all(later <= earlier + 1e-9 for earlier, later in pairwise(middle))


def test_the_outside_freezes_before_the_middle_and_thaws_before_it() -> None:
    tub = fill_tub(0.4, 0.4, 8.0, -0.7, 85.0, 3.0)
    for _ in range(12 * 24):
        step_tub(tub, 300.0, -9.0)
    assert tub.temp_c[-1] < -0.7 < tub.temp_c[0]
    for _ in range(12 * 24 * 10):
        step_tub(tub, 300.0, -9.0)
    assert tub.temp_c[0] < -5.0
    for _ in range(12 * 48):
        step_tub(tub, 300.0, 10.0)
    assert tub.temp_c[-1] > -0.7 > tub.temp_c[0]


@pytest.mark.parametrize("dt_s", [0.0, 301.0])
def test_a_step_out_of_bounds_is_refused(dt_s: float) -> None:
    with pytest.raises(ValueError, match=r"0\.\.300"):
        step_tub(fill_tub(0.3, 0.3, 8.0, -0.7, 85.0, 8.0), dt_s, -5.0)
