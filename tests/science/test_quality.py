"""Properties and edges of what is found wrong with a series."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underlid.science.quality import KINDS, check_series
from underlid.science.timeline import beside, clock_faults, rhythm

seeds = st.integers(0, 2**32 - 1)


def _bedding(seed: int, n: int = 300) -> tuple[np.ndarray, np.ndarray]:
    """Moisture of a drying bin, read irregularly."""
    rng = np.random.default_rng(seed)
    time_h = np.cumsum(rng.uniform(0.1, 0.4, n))
    return time_h, 75 - 0.05 * time_h + np.sin(time_h / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)


@settings(deadline=None, max_examples=50)
@given(seeds, st.floats(-1e5, 1e6))
def test_a_sound_series_is_found_sound_wherever_its_time_begins(seed: int, origin_h: float) -> None:
    time_h, value = _bedding(seed)
    checked = check_series(time_h + origin_h, value, "moist")
    assert checked.usable.all()
    assert checked.gaps == checked.stuck == checked.steps == checked.out_of_bedding == ()
    assert checked.drift is None
    assert not checked.drifting
    assert checked.usual_interval_h == pytest.approx(0.25, abs=0.05)


@settings(deadline=None, max_examples=30)
@given(seeds)
def test_every_fault_put_in_is_found_and_nothing_else(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time_h, value = _bedding(seed, 600)
    spikes = 20 + 10 * np.arange(3) + rng.integers(0, 5, 3)
    value[spikes] += rng.choice([-14.0, 14.0], 3)
    holes = np.array([60, 70, 80]) + rng.integers(0, 9, 3)
    value[holes] = np.nan
    above = rng.integers(110, 140)
    value[above] = 130.0
    stuck = (time_h > time_h[200]) & (time_h <= time_h[200] + 30.0)
    value[stuck] = value[200]
    moved = int(np.flatnonzero(stuck)[-1]) + 60
    value[moved:] -= 15.0
    silent = (np.arange(600) >= moved + 40) & (np.arange(600) < moved + 60)
    time_h, value = time_h[~silent], value[~silent]
    checked = check_series(time_h, value, "moist")
    assert np.flatnonzero(checked.spike).tolist() == sorted(spikes)
    assert np.flatnonzero(checked.missing).tolist() == sorted(holes)
    assert np.flatnonzero(checked.out_of_range).tolist() == [above]
    assert len(checked.stuck) == 1
    assert checked.stuck[0].start_h == pytest.approx(time_h[200])
    assert [step.time_h for step in checked.steps] == [pytest.approx(time_h[moved])]
    assert checked.steps[0].size == pytest.approx(-15.0, abs=1.5)
    assert [gap.start_h for gap in checked.gaps] == [pytest.approx(time_h[moved + 39])]
    assert not checked.usable[np.concatenate([spikes, holes, [above, 205]])].any()
    assert checked.usable[moved + 5 : moved + 30].all()


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.floats(-10, 500), st.just(float("nan")), st.just(-490_000.0)),
            st.one_of(st.floats(-200, 300), st.just(float("nan")), st.just(20.0)),
        ),
        max_size=60,
    ),
    st.sampled_from(sorted(KINDS)),
)
def test_any_series_whatever_can_be_checked(readings: list[tuple[float, float]], kind: str) -> None:
    time_h, value = np.array(readings, dtype=float).reshape(-1, 2).T
    other = (time_h[::-1], value[::-1])
    checked = check_series(time_h, value, kind, air=other, twin=other, bedding_temp=other)
    for mask in (checked.missing, checked.clock, checked.out_of_range, checked.spike, checked.usable):
        assert mask.shape == time_h.shape
    assert not (checked.usable & (checked.missing | checked.clock | checked.out_of_range)).any()
    assert np.array_equal(checked.missing, np.isnan(value))


def test_a_step_at_a_known_wetting_is_no_fault() -> None:
    time_h, value = _bedding(3)
    value[150:] += 12.0
    assert len(check_series(time_h, value, "moist").steps) == 1
    assert check_series(time_h, value, "moist", known_h=[time_h[150] - 1.5]).steps == ()
    assert len(check_series(time_h, value, "moist", known_h=[time_h[150] - 2.5]).steps) == 1


def test_a_slow_change_however_large_is_no_step() -> None:
    time_h, value = _bedding(4)
    assert check_series(time_h, value - 0.5 * (time_h - 20).clip(0, 60), "moist").steps == ()


def test_a_battery_may_stay_the_same_for_weeks() -> None:
    assert check_series(np.arange(500.0), np.full(500, 3.9), "batt").stuck == ()
    assert len(check_series(np.arange(500.0), np.full(500, 21.0), "temp").stuck) == 1


def test_the_same_value_on_both_sides_of_a_silence_is_not_stuck() -> None:
    time_h = np.concatenate([np.arange(0, 20.0), np.arange(60, 80.0)])
    checked = check_series(time_h, np.full(40, 21.0), "temp")
    assert checked.stuck == ()
    assert checked.gaps == ((19.0, 60.0),)


@pytest.mark.parametrize("every_h", [1 / 60, 0.25, 2.0])
def test_a_gap_is_one_by_the_series_own_rhythm(every_h: float) -> None:
    index = np.delete(np.arange(200), [50, 100, 101, 102])
    checked = check_series(index * every_h, 20 + np.sin(index / 9), "temp")
    assert checked.usual_interval_h == pytest.approx(every_h)
    assert [g.start_h for g in checked.gaps] == [pytest.approx(99 * every_h)]  # one lost reading is no gap


def test_a_probe_that_speaks_when_it_likes_has_no_gaps_until_it_is_silent() -> None:
    rng = np.random.default_rng(6)
    time_h = np.cumsum(rng.exponential(0.5, 400))
    assert check_series(time_h, 20 + np.sin(time_h / 9), "temp").gaps == ()
    time_h[200:] += 30.0
    assert len(check_series(time_h, 20 + np.sin(time_h / 9), "temp").gaps) == 1


@given(st.lists(st.floats(0, 1000), max_size=80))
def test_what_is_left_of_a_bad_clock_never_runs_back_and_is_as_much_as_can_be(times: list[float]) -> None:
    time_h = np.array(times)
    kept = time_h[~clock_faults(time_h)]
    assert (np.diff(kept) >= 0).all()
    longest = [1] * len(times)  # by plain dynamic programming
    for i, t in enumerate(times):
        longest[i] = 1 + max((longest[j] for j in range(i) if times[j] <= t), default=0)
    assert kept.size == max(longest, default=0)


def test_readings_from_1970_and_out_of_order_are_clock_faults() -> None:
    now_h = 490_000.0  # hours since 1970, in 2025
    time_h = np.array([0.01, 0.26, now_h, now_h + 0.25, now_h + 0.5, now_h + 0.2, np.inf, now_h + 0.75])
    assert np.flatnonzero(clock_faults(time_h)).tolist() == [0, 1, 5, 6]


def test_one_reading_from_the_future_does_not_condemn_those_after_it() -> None:
    time_h = np.array([0.0, 1.0, 2.0, 50.0, 3.0, 4.0, 5.0])
    assert clock_faults(time_h).tolist() == [False, False, False, True, False, False, False]


def test_a_cool_bin_that_stays_level_is_in_its_bedding_though_near_the_air() -> None:
    rng = np.random.default_rng(7)
    time_h = np.arange(0, 240, 0.5)
    air = 15 + 4 * np.sin(time_h / 24 * 2 * np.pi)
    level = 15 + rng.normal(0, 0.1, time_h.size)
    assert check_series(time_h, level, "temp", air=(time_h, air)).out_of_bedding == ()
    pulled = air + rng.normal(0, 0.1, time_h.size)
    (span,) = check_series(time_h, pulled, "temp", air=(time_h, air)).out_of_bedding
    assert span.end_h - span.start_h > 200
    assert not check_series(time_h, air, "temp", air=(time_h, air)).usable.any()


def test_a_cellar_without_a_swing_tells_nothing_about_the_bedding() -> None:
    rng = np.random.default_rng(8)
    time_h = np.arange(0, 240, 0.5)
    air = 12 + rng.normal(0, 0.1, time_h.size)
    assert check_series(time_h, air.copy(), "temp", air=(time_h, air)).out_of_bedding == ()


def test_a_twin_that_never_speaks_at_the_same_time_says_nothing() -> None:
    time_h, value = _bedding(9)
    checked = check_series(time_h, value, "moist", twin=(time_h + 1000.0, value))
    assert checked.drift is None
    assert not checked.drifting


def test_another_channel_is_unknown_outside_itself_and_in_its_gaps() -> None:
    t = np.concatenate([np.arange(10.0), np.arange(30.0, 40.0)])
    at = beside((t[::-1], 2.0 * t[::-1]), np.array([-1.0, 4.5, 20.0, 35.5, 41.0]))
    np.testing.assert_array_equal(at, [np.nan, 9.0, np.nan, 71.0, np.nan])
    assert np.isnan(beside(([1.0], [1.0]), np.array([1.0]))).all()


def test_fewer_than_three_readings_have_no_rhythm() -> None:
    usual, longest = rhythm(np.array([0.0, 1.0]))
    assert np.isnan(usual)
    assert longest == np.inf


@pytest.mark.parametrize(
    ("time_h", "value", "kind", "words"),
    [
        ([0.0, 1.0], [1.0], "temp", "time_h and value must be of one length"),
        ([0.0], [1.0], "sound", "kind must be one of temp, moist, rh, batt, rssi, got 'sound'"),
    ],
)
def test_what_is_no_series_is_refused(time_h: list[float], value: list[float], kind: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        check_series(time_h, value, kind)


def test_readings_that_came_together_do_not_set_the_rhythm() -> None:
    time_h = np.sort(np.concatenate([np.arange(20.0), np.arange(20.0) + 1e-9, [2.5e-219]]))
    assert rhythm(time_h)[0] == pytest.approx(1.0)
