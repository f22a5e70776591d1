"""Properties and edges of the moisture arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from underlid.science import moisture as m

masses = st.floats(0.01, 1e4)
percents = st.floats(0.0, 99.0)


@given(masses, percents, percents)
def test_water_added_then_measured_gives_the_target(mass_kg: float, now: float, target: float) -> None:
    water = m.water_to_add_kg(mass_kg, now, target)
    if now >= target:
        assert water == 0.0
    else:
        dry = mass_kg * (1 - now / 100)
        assert m.moisture_pct_wb(mass_kg * now / 100 + water, dry) == pytest.approx(target, abs=1e-9)


@given(masses, percents, percents, percents)
def test_bedding_added_then_measured_gives_the_target(
    mass_kg: float, now: float, target: float, bedding: float
) -> None:
    assume(bedding < target - 0.01)
    added = m.bedding_to_add_kg(mass_kg, now, target, bedding)
    if now <= target:
        assert added == 0.0
    else:
        assert m.blend_pct_wb([mass_kg, added], [now, bedding]) == pytest.approx(target, abs=1e-9)


@given(percents)
def test_the_bases_come_back_to_each_other(pct_wb: float) -> None:
    assert m.dry_to_wet_basis(m.wet_to_dry_basis(pct_wb)) == pytest.approx(pct_wb, abs=1e-9)


materials = st.lists(
    st.tuples(masses, percents, st.floats(1.0, 60.0), st.floats(0.1, 10.0)), min_size=1, max_size=6
)


@given(materials, st.randoms(use_true_random=False), st.floats(0.01, 100.0))
def test_a_blend_knows_neither_order_nor_unit_of_mass_and_stays_within_its_parts(
    parts: list[tuple[float, float, float, float]],
    random,
    scale: float,  # type: ignore[no-untyped-def]
) -> None:
    mass, wet, carbon, nitrogen = (np.array(x) for x in zip(*parts, strict=True))
    order = list(range(len(parts)))
    random.shuffle(order)
    blend = m.blend_pct_wb(mass, wet)
    assert wet.min() - 1e-9 <= blend <= wet.max() + 1e-9
    assert m.blend_pct_wb(scale * mass[order], wet[order]) == pytest.approx(blend)
    ratio = m.blend_cn(mass, wet, carbon, nitrogen)
    single = carbon / nitrogen
    assert single.min() * (1 - 1e-9) <= ratio <= single.max() * (1 + 1e-9)
    assert m.blend_cn(scale * mass[order], wet[order], carbon[order], nitrogen[order]) == pytest.approx(ratio)


@given(st.floats(-0.02, 1.0))
def test_topps_equation_and_its_inverse_come_back_to_each_other(vwc: float) -> None:
    assert m.topp_vwc(m.topp_permittivity(vwc)) == pytest.approx(vwc, abs=1e-12)


@given(st.floats(1.0, 87.0), st.floats(0.001, 1.0))
def test_topps_equation_rises_throughout(permittivity: float, more: float) -> None:
    assert m.topp_vwc(permittivity + more) > m.topp_vwc(permittivity)


def _after(mass: np.ndarray, before: np.ndarray, kept_kg: np.ndarray) -> np.ndarray:
    return 100 * (mass * before / 100 + kept_kg) / (mass + kept_kg)


@given(st.floats(0.3, 1.5), st.integers(30, 60))
def test_with_many_wettings_the_share_learnt_is_the_bins_own(share: float, n: int) -> None:
    rng = np.random.default_rng(n)
    mass, before, litres = rng.uniform(8, 12, n), rng.uniform(50, 65, n), rng.uniform(1, 3, n)
    after = np.clip(_after(mass, before, share * litres) + rng.normal(0, 1.0, n), 0, 99)
    learnt = m.learn_water_gain(litres, mass, before, after)
    assert learnt.share == pytest.approx(share, abs=4 * learnt.share_sd + 0.03)
    assert learnt.share_sd < 0.1


def test_the_share_learnt_leads_to_the_target_where_the_mass_balance_falls_short() -> None:
    rng = np.random.default_rng(1)
    mass, before, litres = np.full(12, 10.0), rng.uniform(55, 62, 12), rng.uniform(1, 3, 12)
    after = _after(mass, before, 0.6 * litres) + rng.normal(0, 1.0, 12)
    learnt = m.learn_water_gain(litres, mass, before, after)
    poured = m.water_to_add_kg(10.0, 60.0, 75.0) / learnt.share
    reached = float(_after(np.array(10.0), np.array(60.0), np.array(0.6 * poured)))
    plain = float(_after(np.array(10.0), np.array(60.0), np.array(0.6 * m.water_to_add_kg(10.0, 60.0, 75.0))))
    assert abs(reached - 75.0) < 1.5 < abs(plain - 75.0)


@given(st.floats(0.0, 95.0))
def test_one_wetting_draws_the_share_only_part_of_the_way(after: float) -> None:
    learnt = m.learn_water_gain([2.0], [10.0], [60.0], [after])
    seen = 10.0 * (after - 60.0) / (100.0 - after) / 2.0
    assert 0.25 <= learnt.share <= 2.0
    if 0.25 < learnt.share < 2.0:
        assert min(seen, 1.0) - 1e-9 <= learnt.share <= max(seen, 1.0) + 1e-9
    assert learnt.share_sd <= 0.3


def test_no_wetting_or_only_holes_leaves_the_mass_balance() -> None:
    assert m.learn_water_gain([], [], [], []) == m.WaterGain(1.0, 0.3, 0)
    assert m.learn_water_gain([2.0], [10.0], [60.0], [np.nan]) == m.WaterGain(1.0, 0.3, 0)


def test_whole_arrays_of_bins_are_reckoned_at_once_and_a_hole_stays_one() -> None:
    now, target = np.array([50.0, 70.0, np.nan]), np.full(3, 60.0)
    water = m.water_to_add_kg(np.full(3, 100.0), now, target)
    np.testing.assert_allclose(water, [25.0, 0.0, np.nan])
    bedding = m.bedding_to_add_kg(np.full(3, 100.0), now, target, np.array([60.0, 10.0, 10.0]))
    np.testing.assert_allclose(bedding, [0.0, 20.0, np.nan])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: m.moisture_pct_wb(-1.0, 1.0), "water_kg must lie within 0"),
        (lambda: m.moisture_pct_wb(1.0, 0.0), "dry_kg must lie within"),
        (lambda: m.wet_to_dry_basis(100.0), "pct_wb must lie within 0 to 99.9 %, got 100"),
        (lambda: m.dry_to_wet_basis(-1.0), "pct_db must lie within 0"),
        (lambda: m.water_to_add_kg(-1.0, 50.0, 60.0), "mass_kg must lie within 0"),
        (lambda: m.water_to_add_kg(1.0, 101.0, 60.0), "now_pct_wb must lie within 0 to 100 %"),
        (lambda: m.water_to_add_kg(1.0, 50.0, 100.0), "target_pct_wb must lie within 0 to 99.9 %"),
        (lambda: m.bedding_to_add_kg(1.0, 80.0, 60.0, 60.0), "bedding_pct_wb must be below target_pct_wb"),
        (lambda: m.blend_pct_wb([0.0, 0.0], [50.0, 60.0]), "mass_kg must hold at least one mass above 0"),
        (lambda: m.blend_pct_wb([1.0], [101.0]), "pct_wb must lie within 0 to 100 %"),
        (lambda: m.blend_pct_wb([1.0, 2.0], [50.0]), "of one length"),
        (lambda: m.blend_cn([1.0], [50.0], [40.0], [0.0]), "nitrogen_pct_db must be above 0 %"),
        (lambda: m.blend_cn([1.0], [100.0], [40.0], [1.0]), "nitrogen_pct_db must be above 0 %"),
        (lambda: m.layer_mass_kg(1.0, 11.0, 500.0), "depth_m must lie within 0 to 10 m"),
        (lambda: m.topp_vwc(0.9), "permittivity must lie within 1 to 88"),
        (lambda: m.topp_permittivity(1.01), "vwc must lie within"),
        (lambda: m.vwc_to_pct_wb(0.5, 1.0), "dry_bulk_density_kg_m3 must lie within 10 to 2000"),
        (lambda: m.learn_water_gain([0.0], [1.0], [50.0], [60.0]), "litres must lie within"),
        (lambda: m.learn_water_gain([1.0, 1.0], [1.0], [50.0], [60.0]), "of one length"),
    ],
)
def test_what_lies_outside_is_refused_with_its_bound(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        call()
