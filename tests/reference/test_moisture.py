"""Moisture arithmetic against Cornell's worked examples, Topp et al. and identities of the definitions."""

from __future__ import annotations

import numpy as np
import pytest

from underlid.science.moisture import (
    bedding_to_add_kg,
    blend_cn,
    blend_pct_wb,
    dry_to_wet_basis,
    layer_mass_kg,
    learn_water_gain,
    moisture_pct_wb,
    topp_permittivity,
    topp_vwc,
    vwc_to_pct_wb,
    water_to_add_kg,
    wet_to_dry_basis,
)


def test_cornell_sample_of_10_g_with_2_3_g_dry_is_77_per_cent() -> None:
    # Cornell Composting (Richard and Trautmann), "Moisture content": 10 g wet, 6.3 g dry in a 4 g container.
    # Seen in a mirror of the page.
    assert moisture_pct_wb(10.0 - 2.3, 2.3) == pytest.approx(77.0, abs=0.05)


@pytest.mark.parametrize(
    ("wet", "dry"), [(50, 1.000), (60, 1.500), (75, 3.000), (80, 4.000), (85, 5.667), (90, 9.000)]
)
def test_dry_basis_is_m_over_one_minus_m(wet: float, dry: float) -> None:
    # Definition, to three decimals in g/g.
    assert wet_to_dry_basis(float(wet)) / 100 == pytest.approx(dry, abs=0.0005)
    assert dry_to_wet_basis(wet_to_dry_basis(float(wet))) == pytest.approx(wet)


def test_cornell_grass_and_leaves_need_6_8_kg_of_leaves() -> None:
    # Same page: 10 kg of grass at 77 %, leaves at 35 %, goal 60 %; printed 6.8 kg.
    leaves = bedding_to_add_kg(10.0, 77.0, 60.0, 35.0)
    assert leaves == pytest.approx(6.8, abs=0.005)
    assert blend_pct_wb([10.0, leaves], [77.0, 35.0]) == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("mass_kg", "now", "target", "kg"), [(100, 50, 60, 25.0), (100, 40, 55, 33.33), (10, 60, 75, 6.0)]
)
def test_water_is_the_two_material_mix_with_a_second_material_of_100_per_cent(
    mass_kg: float, now: float, target: float, kg: float
) -> None:
    # Worked by hand from Cornell's formula Q2 = Q1 (G - M1) / (M2 - G) with M2 = 100.
    water = water_to_add_kg(float(mass_kg), float(now), float(target))
    assert water == pytest.approx(kg, abs=0.005)
    assert blend_pct_wb([mass_kg, water], [now, 100.0]) == pytest.approx(target)


def test_a_published_mix_of_hay_scraps_and_grounds_has_34_7_to_1() -> None:
    # docslib.org document 12269573 ("How to calculate the carbon-to-nitrogen ratio of your compost mix"),
    # seen: 50 lb hay (40 % C, 1 % N), 10 lb scraps (10, 1), 2 lb grounds (25, 1), as is:
    # 21.5 lb C, 0.62 lb N.
    ratio = blend_cn([50.0, 10.0, 2.0], [0.0, 0.0, 0.0], [40.0, 10.0, 25.0], [1.0, 1.0, 1.0])
    assert ratio == pytest.approx(34.7, abs=0.05)


def test_grass_and_leaves_mixed_to_30_to_1_by_cornells_formula() -> None:
    # Q2 solved by hand from Cornell's C/N formula: Q1 10 kg grass (77 %, 2.4 % N, C/N 19), leaves (35 %,
    # 0.75 % N, C/N 60), R 30: Q2 = 10 x 2.4 (30 - 19) 23 / (0.75 (60 - 30) 65) = 4.15 kg.
    ratio = blend_cn([10.0, 4.15], [77.0, 35.0], [2.4 * 19, 0.75 * 60], [2.4, 0.75])
    assert ratio == pytest.approx(30.0, abs=0.01)


@pytest.mark.parametrize(
    ("nitrogen", "carbon", "printed"), [(2.4, 45.6, 19), (10.6, 38.2, 3.6), (1.9, 32.3, 17)]
)
def test_single_materials_keep_cornells_ratio(nitrogen: float, carbon: float, printed: float) -> None:
    # Cattle manure, fish waste, seaweed: Cornell's spreadsheet (T. Richard), seen in a copy.
    assert blend_cn([3.0], [60.0], [carbon], [nitrogen]) == pytest.approx(printed, abs=0.05)


@pytest.mark.parametrize(
    ("permittivity", "vwc"),
    [
        (3.0, 0.0298),
        (5.0, 0.0798),
        (6.82, 0.1219),
        (10.0, 0.1883),
        (15.0, 0.2758),
        (20.0, 0.3454),
        (30.0, 0.4441),
        (40.0, 0.5102),
        (60.0, 0.6478),
        (80.0, 0.9646),
    ],
)
def test_topp_polynomial_gives_its_tabled_water_contents(permittivity: float, vwc: float) -> None:
    # Topp, Davis and Annan 1980; coefficients seen in nine programs that cite it, not in the paper, values
    # worked from them by hand.
    assert topp_vwc(permittivity) == pytest.approx(vwc, abs=0.0001)


@pytest.mark.parametrize(("vwc", "published"), [(0.1, 5.34), (0.2, 10.12), (0.3, 16.89), (0.4, 25.20)])
def test_numeric_inverse_lies_near_topps_own_inverse_polynomial(vwc: float, published: float) -> None:
    # e = 3.03 + 9.3 th + 146 th2 - 76.7 th3 (Topp et al. 1980), a separate fit: near, not equal.
    assert topp_permittivity(vwc) == pytest.approx(published, rel=0.1)
    assert topp_vwc(topp_permittivity(vwc)) == pytest.approx(vwc, abs=1e-9)


def test_numeric_inverse_is_the_cubics_real_root() -> None:
    # numpy's polynomial roots, on Topp's coefficients.
    roots = np.polynomial.Polynomial([-5.3e-2 - 0.35, 2.92e-2, -5.5e-4, 4.3e-6]).roots()
    real = float(roots[np.abs(roots.imag) < 1e-9].real[0])
    assert topp_permittivity(0.35) == pytest.approx(real, rel=1e-9)


def test_half_water_by_volume_in_light_bedding_is_76_9_per_cent_of_mass() -> None:
    # Definition: 500 kg of water on 150 kg of dry matter in a cubic metre.
    assert vwc_to_pct_wb(0.5, 150.0) == pytest.approx(76.9, abs=0.05)


def test_a_layer_weighs_its_volume_times_its_density() -> None:
    # Definition: 0.60 m x 0.40 m, 8 cm deep, 600 kg/m3.
    assert layer_mass_kg(0.24, 0.08, 600.0) == pytest.approx(11.52)


def test_share_learnt_is_the_normal_normal_posterior_mean() -> None:
    # Gelman et al., Bayesian Data Analysis, conjugate normal mean (from memory), worked here with scipy's
    # normal densities on a grid, for one wetting.
    from scipy.stats import norm

    litres, mass, before = 2.0, 10.0, 60.0
    gained = 1.6
    after = 100.0 * (mass * before / 100.0 + gained) / (mass + gained)
    error = 2.0 * mass * (100.0 - before) / (100.0 - after) ** 2
    share = np.linspace(-1.0, 3.0, 400_001)
    prior = norm.pdf(share, 1.0, 0.3)
    # Five wettings' worth of weight: four on the probe's own error, one on this misfit.
    first = prior * norm.pdf(gained, share * litres, error)
    mean = float(np.sum(share * first) / np.sum(first))
    scale = (4.0 + ((gained - mean * litres) / error) ** 2) / 5.0
    second = prior * norm.pdf(gained, share * litres, error * np.sqrt(scale))
    learnt = learn_water_gain([litres], [mass], [before], [after])
    assert learnt.share == pytest.approx(float(np.sum(share * second) / np.sum(second)), abs=1e-4)
