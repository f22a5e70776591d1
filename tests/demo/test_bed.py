"""The bins' balances: what goes in comes out or stays; and sizes against handbooks."""

from dataclasses import replace

import numpy as np
import pytest

from underlid.demo import bed
from underlid.demo.bed import BASE, CORE, POCKET, TOP, Beds, Shape
from underlid.demo.matter import DRY_J_KGK, WATER_J_KGK, Floats, vapour_pressure_kpa

SMALL = Shape(0.6, 0.4, 0.3, worm_kg=0.4)
LARGE = Shape(1.2, 0.8, 0.5, worm_kg=1.5, side_w_m2k=0.4, sun_share=0.05)
SEALED = replace(SMALL, worm_kg=0.0, side_w_m2k=0.0, bottom_w_m2k=0.0, lid_w_m2k=0.0, vent_share=0.0)


def beds(*shapes: Shape, temp_c: float = 15.0, moist: tuple[float, ...] = (75.0, 77.0, 78.0, 76.0)) -> Beds:
    return bed.fill(shapes, np.full(len(shapes), temp_c), np.tile(moist, (len(shapes), 1)))


def run(b: Beds, hours: float, air_c: float = 10.0, rh_pct: float = 60.0, sun_w_m2: float = 0.0) -> None:
    count = len(b.shapes)
    vapour = float(vapour_pressure_kpa(air_c)) * rh_pct / 100.0
    for _ in range(round(hours * 12)):
        bed.step(b, 300.0, np.full(count, air_c), np.full(count, vapour), np.full(count, sun_w_m2))


def water(b: Beds) -> Floats:
    return np.asarray(b.water_kg.sum(axis=1))


def handle(b: Beds) -> None:
    """Everything a keeper can do, to every bin."""
    for i in range(len(b.shapes)):
        bed.feed(b, i, 2.0, bed.food_named("coffee grounds"), 11.0)
        bed.wet(b, i, 30.0 * b.area_m2[i] / 0.24, 9.0)
        bed.bed_down(b, i, 0.8, 65.0, 11.0)
        bed.turn(b, i)
        bed.harvest(b, i, 1.5)
        bed.feed(b, i, 0.5, bed.food_named("trimmings"), -6.0)
        b.lid[i] = 1.0 - b.lid[i]


def three_days() -> tuple[Beds, Floats, Floats]:
    b = beds(SMALL, LARGE)
    water_before, heat_before = water(b), b.heat_j.sum(axis=1)
    run(b, 30.0)
    handle(b)
    run(b, 30.0, air_c=-12.0, rh_pct=90.0, sun_w_m2=200.0)
    handle(b)
    run(b, 12.0, air_c=25.0, rh_pct=30.0)
    return b, water_before, heat_before


def test_water_in_is_water_evaporated_drained_taken_and_stored() -> None:
    b, before, _ = three_days()
    ledger = b.ledger
    balance = (
        before
        + ledger.added_kg
        + ledger.made_kg
        - ledger.evaporated_kg
        - ledger.drained_kg
        - ledger.removed_kg
    )
    assert water(b) == pytest.approx(balance, abs=1e-9)
    for flow in (ledger.added_kg, ledger.made_kg, ledger.evaporated_kg, ledger.drained_kg, ledger.removed_kg):
        assert np.all(flow > 0.0)


def test_heat_stored_is_heat_conducted_released_evaporated_and_carried() -> None:
    b, _, before = three_days()
    ledger = b.ledger
    balance = before + ledger.conducted_j + ledger.released_j + ledger.evaporated_j + ledger.carried_j
    assert b.heat_j.sum(axis=1) == pytest.approx(balance, rel=1e-9)
    assert np.all(ledger.released_j > 0.0)
    assert np.all(ledger.evaporated_j < 0.0)


def test_nothing_gets_negative_under_rough_handling() -> None:
    b, _, _ = three_days()
    for stock in (b.dry_kg, b.water_kg, b.fuel_j, b.settled):
        assert np.all(stock >= 0.0)
    assert np.all(b.settled <= 1.0)


def test_feed_in_a_sealed_bin_warms_it_by_its_heat_over_its_heat_capacity() -> None:
    # Identity; the specific heats are the handbook's (test_matter).
    b = beds(SEALED, temp_c=18.0)
    bed.feed(b, 0, 3.0, bed.food_named("pomace"), 18.0)
    capacity = (DRY_J_KGK * b.dry_kg + WATER_J_KGK * b.water_kg).sum()
    run(b, 24.0 * 20, air_c=18.0, rh_pct=100.0)
    mean_c = (b.heat_j.sum() / (DRY_J_KGK * b.dry_kg + WATER_J_KGK * b.water_kg).sum()).item()
    assert float(b.fuel_j.sum()) < 0.02 * 3.0 * bed.food_named("pomace").fuel_j_kg
    assert mean_c - 18.0 == pytest.approx(float(b.ledger.released_j[0]) / float(capacity), rel=0.06)


def test_a_bin_with_nothing_to_eat_cools_towards_the_air_as_newton_says() -> None:
    # Newton's law at the first step, all at one temperature: the heat lost is sum(UA) (T - Ta) t, UA by hand.
    b = beds(replace(SMALL, worm_kg=0.0, vent_share=0.0), temp_c=20.0)
    area, walls, top = 0.24, 2.0 * (0.6 + 0.4) * 0.3 * 3.0, 2.4
    loss_w_k = walls + area * (top + 2.0)
    before = float(b.heat_j.sum())
    released_before = float(b.ledger.released_j[0])
    run(b, 1.0 / 12.0, air_c=10.0, rh_pct=100.0)
    lost = before + float(b.ledger.released_j[0]) - released_before - float(b.heat_j.sum())
    assert lost == pytest.approx(loss_w_k * 10.0 * 300.0, rel=1e-6)


def test_a_wet_open_top_in_still_air_evaporates_as_much_as_open_water_would() -> None:
    # Penman's aerodynamic term by Shuttleworth 1993, no wind: 2.62 mm a day at 1 kPa. ASHRAE Handbook, HVAC
    # Applications, natatoriums, still air: 3.14 mm a day at 1 kPa. Both from memory: an order check.
    b = beds(SMALL, moist=(78.0, 78.0, 78.0, 78.0))
    b.lid[:] = 1.0
    top_c = float(b.temp_c[0, TOP])
    deficit_kpa = 1.0
    vapour = np.array([float(vapour_pressure_kpa(top_c)) - deficit_kpa])
    bed.step(b, 10.0, np.array([15.0]), vapour, np.zeros(1))
    mm_per_day = float(b.ledger.evaporated_kg[0]) / 0.24 / 10.0 * 86400.0
    assert 2.62 * 0.9 < mm_per_day < 3.14 * 1.1


def test_a_closed_lid_keeps_most_of_the_water_in() -> None:
    b = beds(SMALL, SMALL)
    b.lid[:] = (0.0, 1.0)
    run(b, 24.0)
    closed, opened = b.ledger.evaporated_kg
    assert closed < 0.25 * opened
    assert b.moist_pct_wb[0, TOP] > b.moist_pct_wb[1, TOP]


def test_a_feeding_heats_late_then_fast_then_no_more_and_warms_its_neighbours() -> None:
    b, fed = beds(SMALL), 5.2
    bed.feed(b, 0, fed, bed.food_named("coffee grounds and apple pomace"), 11.0)
    pocket, core = [], []
    for _ in range(24 * 7):
        run(b, 1.0, air_c=14.0)
        pocket.append(float(b.temp_c[0, POCKET]))
        core.append(float(b.temp_c[0, CORE]))
    rise = np.diff(pocket)
    peak = int(np.argmax(pocket))
    assert 20 < peak < 96
    assert 30.0 < pocket[peak] < 55.0
    assert rise[:6].mean() < 0.5 * rise[10:24].max()
    assert core[peak] > core[0] + 3.0
    assert pocket[-1] < pocket[peak] - 10.0


def test_more_feed_heats_more() -> None:
    peaks = []
    for fed in (1.0, 2.5, 5.0):
        b = beds(SMALL)
        bed.feed(b, 0, fed, bed.food_named("grounds"), 11.0)
        hottest = 0.0
        for _ in range(96):
            run(b, 1.0, air_c=14.0)
            hottest = max(hottest, float(b.temp_c[0, POCKET]))
        peaks.append(hottest)
    assert peaks[0] + 2.0 < peaks[1] < peaks[2] - 2.0


def test_water_poured_on_a_soaked_bin_runs_out_at_the_base() -> None:
    b = beds(SMALL, moist=(82.0, 82.0, 82.0, 82.0))
    bed.wet(b, 0, 6.0, 9.0)
    run(b, 24.0, rh_pct=100.0)
    assert float(b.ledger.drained_kg[0]) > 5.0
    assert b.moist_pct_wb[0].max() < 84.0


def test_turning_evens_out_moisture_and_heat_and_loses_neither() -> None:
    b = beds(SMALL, moist=(60.0, 77.0, 80.0, 76.0))
    bed.feed(b, 0, 3.0, bed.food_named("pomace"), 40.0)
    water_before, heat_before = float(water(b)[0]), float(b.heat_j.sum())
    spread = np.ptp(b.moist_pct_wb[0, :POCKET])
    gap = float(b.temp_c[0, POCKET] - b.temp_c[0, CORE])
    bed.turn(b, 0)
    assert float(water(b)[0]) == pytest.approx(water_before)
    assert float(b.heat_j.sum()) == pytest.approx(heat_before)
    assert np.ptp(b.moist_pct_wb[0, :POCKET]) < 0.5 * spread
    assert abs(float(b.temp_c[0, POCKET] - b.temp_c[0, CORE])) < 0.5 * gap


def test_one_bin_does_not_feel_what_is_done_to_another() -> None:
    alone, beside = beds(SMALL), beds(SMALL, LARGE)
    bed.feed(beside, 1, 4.0, bed.food_named("grounds"), 11.0)
    bed.wet(beside, 1, 2.0, 9.0)
    bed.turn(beside, 1)
    bed.harvest(beside, 1, 3.0)
    run(alone, 12.0)
    run(beside, 12.0)
    assert beside.temp_c[0] == pytest.approx(alone.temp_c[0], abs=1e-12)
    assert beside.moist_pct_wb[0] == pytest.approx(alone.moist_pct_wb[0], abs=1e-12)


def test_a_harvest_takes_at_most_four_fifths_of_the_base() -> None:
    b = beds(SMALL)
    base_before = float((b.dry_kg + b.water_kg)[0, BASE])
    bed.harvest(b, 0, 500.0)
    assert 0.2 * base_before - 1e-9 <= float((b.dry_kg + b.water_kg)[0, BASE]) < base_before


@pytest.mark.parametrize("dt_s", [0.0, -1.0, 301.0])
def test_a_step_too_long_or_backwards_is_refused(dt_s: float) -> None:
    with pytest.raises(ValueError, match=r"0\.\.300"):
        bed.step(beds(SMALL), dt_s, np.zeros(1), np.zeros(1), np.zeros(1))


def test_halving_the_step_changes_little() -> None:
    coarse, fine = beds(SMALL), beds(SMALL)
    vapour = np.array([0.8])
    for b in (coarse, fine):
        bed.feed(b, 0, 4.0, bed.food_named("grounds"), 11.0)
    for _ in range(12 * 30):
        bed.step(coarse, 300.0, np.full(1, 12.0), vapour, np.zeros(1))
    for _ in range(24 * 30):
        bed.step(fine, 150.0, np.full(1, 12.0), vapour, np.zeros(1))
    assert coarse.temp_c == pytest.approx(fine.temp_c, abs=0.25)
    assert coarse.moist_pct_wb == pytest.approx(fine.moist_pct_wb, abs=0.05)
