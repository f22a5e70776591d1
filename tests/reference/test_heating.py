"""Self-heating against Newton's law of cooling, energy balances and reference solvers."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pvlib
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit
from scipy.signal import lsim
from scipy.stats import t as student

from underlid.science import heating
from underlid.science.feed_balance import BIN, BIN_MEAN, BINS, OWNS, run, temperature_factor
from underlid.science.feed_response import PastFeeding, fit_feed_response, following
from underlid.science.heating import cooling_constant_per_h, forecast_peak, safe_ration_kg
from underlid.science.rise import explain_rise


@pytest.mark.parametrize("k", [0.02, 0.05, 0.1, 0.2, 0.4])
def test_cooling_by_newtons_law_gives_its_constant_back(k: float) -> None:
    # identity: T = Ta + (T0 - Ta) exp(-k t)
    t = np.arange(0.0, 48.0, 0.2)
    assert cooling_constant_per_h(t, 15.0 + 20.0 * np.exp(-k * t), 15.0) == pytest.approx(k, rel=0.03)


def test_the_time_constant_is_the_time_to_63_2_per_cent() -> None:
    # textbook property of first-order systems: after 1/k hours 1/e of the excess is left
    t = np.arange(0.0, 60.0, 0.25)
    k = cooling_constant_per_h(t, 12.0 + 18.0 * np.exp(-t / 15.0), 12.0)
    left = np.interp(1.0 / k, t, 18.0 * np.exp(-t / 15.0)) / 18.0
    assert left == pytest.approx(1.0 / np.e, rel=0.02)


def test_a_noisy_cool_down_agrees_with_scipys_curve_fit() -> None:
    rng = np.random.default_rng(2)
    t = np.sort(rng.uniform(0.0, 30.0, 200))
    temp = 14.0 + 16.0 * np.exp(-0.08 * t) + rng.normal(0.0, 0.1, 200)
    fitted, _ = curve_fit(lambda h, a, k: 14.0 + a * np.exp(-k * h), t, temp, p0=(10.0, 0.1))
    assert cooling_constant_per_h(t, temp, 14.0) == pytest.approx(float(fitted[1]), rel=0.05)


def constants(sets: int = 1, **changed: float) -> np.ndarray:
    """The middle of what `feed_balance` holds likely, (constants, sets); those named changed, as they are."""
    out = np.append(BIN_MEAN, np.zeros(OWNS))
    for i, (name, _, _) in enumerate(BIN):
        if name in changed:
            out[i] = (
                changed[name] if name.endswith("_c") else np.log(changed[name]) if changed[name] else -np.inf
            )
    return np.repeat(out[:, None], sets, axis=1)


@pytest.mark.parametrize(
    ("temp_c", "factor"),
    [(10, 0.528), (20, 1.000), (25, 1.375), (30, 1.892), (40, 3.568), (50, 6.655), (60, 11.89)],
)
def test_rot_quickens_with_warmth_as_haug_has_it(temp_c: float, factor: float) -> None:
    # 1.066^(T-20) - 1.21^(T-60), Haug, The Practical Handbook of Compost Engineering, 1993 (form from memory), by hand
    assert temperature_factor(np.array(float(temp_c))) == pytest.approx(
        factor, abs=5e-4 if factor < 10 else 5e-3
    )


def test_ten_degrees_nearly_double_the_rot() -> None:
    # Haug's 1.066 per degree is a Q10 of 1.895; far below 60 C the second term is nothing
    assert temperature_factor(np.array(25.0)) / temperature_factor(np.array(15.0)) == pytest.approx(
        1.895, rel=2e-3
    )


@pytest.mark.parametrize("seed", range(6))
def test_the_course_after_feeding_solves_the_heat_balance(seed: int) -> None:
    # the equations of `feed_balance`, written out once more and solved by scipy.solve_ivp
    rng = np.random.default_rng(seed)
    x = constants() + np.append(rng.normal(0.0, 0.4, BINS), np.zeros(OWNS))[:, None]
    heat, decay, growth, start, air, bedding, contact, bin_kg, cooling, left = np.exp(x[:10, 0])
    kg, lead = float(rng.uniform(0.3, 1.5)), 5
    hours = np.arange(-lead, 97.0)
    room = 18.0 + 4.0 * np.sin(hours / 4.0)
    one = np.ones(1)
    course = run(x, kg * one, 20.0 * one, -5.0 * one, room[:, None], lead)
    mass = kg + bedding
    exchange = contact * 4.0 * np.pi * np.cbrt(3.0 * mass / 700.0 / 4.0 / np.pi) * 0.5
    begin = [course.pocket_c[lead + 1, 0], course.bin_c[lead + 1, 0], start / (1.0 + start), 0.0, 1.0]
    # food left at the feeding: what the hours before did not rot, by the same scheme's pocket temperatures
    old = left
    for before, after in pairwise(course.pocket_c[: lead + 1, 0]):
        rate = (
            decay * np.mean([float(1.066 ** (t - 20.0) - 1.21 ** (t - 60.0)) for t in (before, after)]) * old
        )
        old -= rate / (1.0 + rate * heat * kg / air)
    begin[3] = old

    def change(h: float, s: np.ndarray) -> list[float]:
        pocket, around, active, before, fresh = s
        here, there = (1.066 ** (t - 20.0) - 1.21 ** (t - 60.0) for t in (pocket, around))
        lost, lost_old = decay * here * active * fresh, decay * there * before
        breath = 1.0 + (lost + lost_old) * heat * kg / air
        lost, lost_old = lost / breath, lost_old / breath
        outside = np.interp(h, hours, room) + x[10, 0]
        return [
            (heat * kg * lost - exchange * (pocket - around)) / (0.93 * mass),
            (heat * kg * lost_old + exchange * (pocket - around)) / (0.93 * bin_kg)
            - cooling * (around - outside),
            growth * here * active * (1.0 - active),
            -lost_old,
            -lost,
        ]

    solved = solve_ivp(change, (0.0, 96.0), begin, t_eval=hours[lead:], rtol=1e-8, atol=1e-9, max_step=0.5)
    assert course.pocket_c[lead + 1 :, 0] == pytest.approx(solved.y[0], abs=0.15)
    assert course.bin_c[lead + 1 :, 0] == pytest.approx(solved.y[1], abs=0.15)


def test_all_the_heat_of_a_feeding_arrives_when_nothing_leaks() -> None:
    # Energy: 1 kg scraps, 5 g oxygen at 14 kJ/g (Haug 1993, from memory) = 70 kJ into 1 kg at 3.520 and 9 kg at
    # 3.353 kJ/kg/K (Earle, Unit Operations in Food Processing, app. 7: 4.19 p + 0.84 (1 - p)): 2.08 C
    capacity = 1.0 * (4.19 * 0.80 + 0.84 * 0.20) + 9.0 * (4.19 * 0.75 + 0.84 * 0.25)
    adiabatic = 5.0 * 14.0 / capacity
    assert adiabatic == pytest.approx(2.08, abs=0.01)
    x = constants(heat_wh_per_kg=70.0 / 3.6, decay_per_h=0.05, bedding_kg=9.0, contact=0.0, left=0.0)
    one = np.ones(1)
    pocket = run(x, one, 20.0 * one, 0.0 * one, np.full((400, 1), 20.0), 0).pocket_c[1:, 0]
    assert pocket[-1] - pocket[0] == pytest.approx(adiabatic, rel=0.01)


def test_heat_set_free_is_found_again_in_pocket_and_bin_when_the_bin_loses_none() -> None:
    x = constants(cooling_per_h=0.0)
    one = np.ones(1)
    course = run(x, one, 20.0 * one, 0.0 * one, np.full((97, 1), 15.0), 0)
    stored = 0.93 * (
        course.pocket_kg * (course.pocket_c[-1] - course.pocket_c[1])
        + course.bin_kg * (course.bin_c[-1] - course.bin_c[1])
    )
    assert course.heat_wh[0] > 100.0
    assert stored == pytest.approx(course.heat_wh, rel=1e-9)


def test_without_food_the_bin_cools_by_newtons_law() -> None:
    # T = Ta + (T0 - Ta) exp(-k t) (Newton), pocket and bin apart
    x = constants(heat_wh_per_kg=0.0, contact=0.0, cooling_per_h=0.08)
    one = np.ones(1)
    room = np.full((73, 1), 15.0)
    course = run(x, one, 30.0 * one, 0.0 * one, room, 0)
    hours, begin = np.arange(73.0), course.bin_c[1, 0]
    assert course.bin_c[1:, 0] == pytest.approx(15.0 + (begin - 15.0) * np.exp(-0.08 * hours), abs=0.01)
    # pocket and bin as one body: its loss is shared by the heat both hold
    x = constants(heat_wh_per_kg=0.0, contact=50.0, bedding_kg=4.0, bin_kg=20.0, cooling_per_h=0.08)
    pocket = run(x, one, 30.0 * one, 0.0 * one, room, 0).pocket_c[11:, 0]
    k = 0.08 * 20.0 / 25.0
    assert pocket == pytest.approx(15.0 + (pocket[0] - 15.0) * np.exp(-k * hours[: len(pocket)]), abs=0.1)


def test_following_the_room_agrees_with_scipys_linear_simulation() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 100.0, 1.0)
    room = 15.0 + np.cumsum(rng.normal(0.0, 0.5, 100))
    _, expected, _ = lsim(([0.08], [1.0, 0.08]), room, t)
    assert following(t, room, np.array([0.08]))[0] == pytest.approx(expected, abs=1e-9)


def test_a_steady_sinusoid_of_the_room_arrives_damped_as_a_first_order_low_pass() -> None:
    # amplitude ratio of a first-order lag: k / sqrt(k^2 + w^2) (any control textbook)
    t = np.arange(0.0, 480.0, 0.25)
    w, k = 2.0 * np.pi / 24.0, 0.1
    answer = following(t, np.sin(w * t), np.array([k]))[0]
    assert np.ptp(answer[t > 240.0]) / 2.0 == pytest.approx(k / np.hypot(k, w), rel=0.01)


@pytest.mark.parametrize("freedom", range(1, 11))
def test_the_quantiles_in_the_ration_are_students(freedom: int) -> None:
    assert heating._T90[freedom - 1] == pytest.approx(student.ppf(0.9, freedom), abs=6e-4)


def test_the_safe_ration_is_the_prediction_bound_of_the_textbook() -> None:
    # Student prediction bound: mean + t(0.90, n-1) s sqrt(1 + 1/n), any statistics textbook
    feed, rise = np.array([0.5, 1.0, 1.5, 0.8]), np.array([3.0, 7.0, 9.5, 6.0])
    per_kg = rise / feed
    bound = per_kg.mean() + student.ppf(0.9, 3) * per_kg.std(ddof=1) * np.sqrt(1.25)
    assert safe_ration_kg(feed, rise, 20.0, 30.0) == pytest.approx(10.0 / bound, rel=1e-3)


def test_a_peak_of_the_model_itself_is_found_from_its_first_hours() -> None:
    # scipy solves it; feedings of 1.0, 0.6 and 1.4 kg, heat by the 2/3 power of the mass, teach the response
    def course(kg: float, hours: np.ndarray) -> np.ndarray:
        heat = 1.2 * kg ** (2.0 / 3.0)
        solved = solve_ivp(
            lambda h, x: -0.08 * x + heat * np.exp(-h / 30.0) * (1.0 - np.exp(-h / 8.0)),
            (0.0, 120.0), [0.0], t_eval=hours, max_step=0.5,
        )  # fmt: skip
        return 18.0 + solved.y[0]

    t = np.arange(0.0, 120.0, 0.5)
    past = [PastFeeding(t, course(kg, t), 18.0, 0.0, kg) for kg in (1.0, 0.6, 1.4)]
    response = fit_feed_response(past, 0.08)
    true = course(1.2, t)
    made = forecast_peak(t[t <= 6.0], true[t <= 6.0], 18.0, 0.0, 0.08, response=response, feed_kg=1.2)
    assert made.peak_c == pytest.approx(true.max(), abs=1.0)
    assert made.low_c <= true.max() <= made.high_c
    assert made.at_h == pytest.approx(t[true.argmax()], abs=10.0)


def test_a_bin_that_only_follows_measured_weather_is_not_called_heating() -> None:
    """Sand Point typical year (TMY3, in pvlib): hourly outdoor air through a first-order bin, scipy.lsim."""
    air = np.genfromtxt(
        Path(pvlib.__file__).parent / "data" / "703165TY.csv", delimiter=",", skip_header=2, usecols=31
    )
    t = np.arange(0.0, len(air))
    _, answer, _ = lsim(([0.06], [1.0, 0.06]), air, t, X0=air[0] / 0.06)
    causes = [
        explain_rise(t[i - 96 : i], answer[i - 96 : i], air[i - 96 : i], 0.06, fed_at_h=[i - 60.0]).cause
        for i in range(200, 8700, 50)
    ]
    assert causes.count("weather") > 20
    assert set(causes) <= {"weather", "none"}
