"""Properties of the heating forecasts, and their worth on simulated bins."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.bench.forecasts import peaks
from tests.bins import simulate

from underlid.science.feed_balance import BIN_MEAN, OWN_MEAN, run
from underlid.science.feed_response import (
    FeedResponse,
    PastFeeding,
    fit_feed_response,
    fit_feed_responses,
)
from underlid.science.heating import PeakForecast, cooling_constant_per_h, forecast_peak, safe_ration_kg
from underlid.science.rise import explain_rise

COOLING = 0.08


def warming(hours: np.ndarray, size: float = 1.0) -> np.ndarray:
    """A pulse that is no member of the family: a hump of Gamma shape."""
    u = np.maximum(hours - 4.0, 0.0)
    return 20.0 + 8.0 * size * (u / 20.0) * np.exp(1.0 - u / 20.0)


def a_forecast(known_h: float = 8.0, origin: float = 0.0, warmer: float = 0.0, seed: int = 0) -> PeakForecast:
    t = np.arange(-20.0, known_h, 0.25)
    noise = np.random.default_rng(seed).normal(0.0, 0.05, len(t))
    return forecast_peak(t + origin, warming(t) + noise + warmer, 19.0 + warmer, origin, COOLING)


@settings(max_examples=15, deadline=None)
@given(origin=st.floats(-1e5, 1e5), known=st.floats(1.0, 60.0))
def test_the_time_origin_does_not_matter(origin: float, known: float) -> None:
    here, there = a_forecast(known), a_forecast(known, origin)
    assert there.peak_c == pytest.approx(here.peak_c, abs=0.02)
    assert there.at_h - origin == pytest.approx(here.at_h, abs=1.1)
    assert there.ahead_h == pytest.approx(here.ahead_h, abs=1.1)


@settings(max_examples=15, deadline=None)
@given(shift=st.floats(-5.0, 5.0))
def test_a_few_degrees_more_or_less_of_everything_move_the_peak_by_as_much(shift: float) -> None:
    # not exactly: food rots faster in warmth, so the same first hours there mean less food or a sooner end
    moved, here = a_forecast(warmer=shift), a_forecast()
    assert moved.peak_c - shift == pytest.approx(here.peak_c, abs=1.0)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 1000))
def test_the_order_of_readings_and_holes_do_not_matter(seed: int) -> None:
    t = np.arange(-10.0, 10.0, 0.25)
    temp = warming(t)
    mixed = np.random.default_rng(seed).permutation(len(t) + 20)
    times = np.append(t, np.linspace(-9.0, 9.0, 20))[mixed]
    values = np.append(temp, np.full(20, np.nan))[mixed]
    whole, other = (forecast_peak(a, b, 19.0, 0.0, COOLING) for a, b in ((t, temp), (times, values)))
    assert other.peak_c == pytest.approx(whole.peak_c, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(known=st.floats(0.5, 70.0), confidence=st.floats(0.3, 0.9))
def test_the_interval_holds_the_middle_and_what_was_seen(known: float, confidence: float) -> None:
    t = np.arange(-5.0, known, 0.5)
    made = forecast_peak(t, warming(t), 19.0, 0.0, COOLING, confidence)
    assert made.low_c <= made.peak_c <= made.high_c
    assert made.high_c >= warming(t[t >= 0.0]).max() - 0.3


def test_after_the_peak_the_forecast_is_the_peak() -> None:
    made = a_forecast(known_h=60.0)
    assert made.peak_c == pytest.approx(28.0, abs=0.4)
    assert made.ahead_h < 0.0
    assert made.high_c - made.low_c < 2.0


def test_knowing_more_narrows_the_interval() -> None:
    widths = [a_forecast(known).high_c - a_forecast(known).low_c for known in (2.0, 12.0, 40.0)]
    assert widths[0] > widths[1] > widths[2]


def test_a_known_warmer_room_ahead_raises_the_peak() -> None:
    t = np.arange(-20.0, 60.0, 0.5)
    temp = np.where(t <= 8.0, warming(t), np.nan)
    room = np.where(t <= 8.0, 19.0, 29.0)
    cool = forecast_peak(t[t <= 8.0], temp[t <= 8.0], 19.0, 0.0, COOLING)
    assert forecast_peak(t, temp, room, 0.0, COOLING).peak_c > cool.peak_c + 3.0


def past(sizes: tuple[float, ...], food: str = "") -> list[PastFeeding]:
    t = np.arange(-20.0, 110.0, 0.5)
    return [PastFeeding(t, warming(t, kg ** (2.0 / 3.0)), 19.0, 0.0, kg, food) for kg in sizes]


def test_past_feedings_sharpen_the_forecast() -> None:
    t = np.arange(-20.0, 6.0, 0.5)
    response = fit_feed_response(past((0.7, 1.0, 1.3)), COOLING)
    alone = forecast_peak(t, warming(t), 19.0, 0.0, COOLING)
    taught = forecast_peak(t, warming(t), 19.0, 0.0, COOLING, response=response, feed_kg=1.0)
    assert abs(taught.peak_c - 28.0) < 2.5
    assert taught.high_c - taught.low_c < alone.high_c - alone.low_c


def test_each_kind_of_feed_has_its_own_response() -> None:
    strong = [
        PastFeeding(f.time_h, 2 * np.asarray(f.temp_c) - 20.0, 19.0, 0.0, f.feed_kg, "grounds")
        for f in past((1.0,))
    ]
    found = fit_feed_responses([*past((1.0,), "trimmings"), *strong], COOLING)
    assert set(found) == {"grounds", "trimmings"}
    rises: dict[str, float] = {food: response.peak_rise_of_1_kg_c() for food, response in found.items()}
    assert rises["grounds"] > 1.5 * rises["trimmings"]
    assert isinstance(found["grounds"], FeedResponse)
    assert found["trimmings"].hours_to_peak() == pytest.approx(24.0, abs=8.0)


def test_the_curve_of_the_forecast_passes_through_the_last_reading() -> None:
    made = a_forecast(known_h=20.0)
    middle, low, high = made.curve([20.0])
    assert middle[0] == pytest.approx(warming(np.array([20.0]))[0], abs=0.7)
    assert low[0] < middle[0] < high[0]


@settings(max_examples=30, deadline=None)
@given(
    pairs=st.lists(st.tuples(st.floats(0.1, 5.0), st.floats(0.5, 20.0)), min_size=1, max_size=8),
    base=st.floats(5.0, 30.0),
    limit=st.floats(20.0, 40.0),
)
def test_the_safe_ration_stays_under_the_limit_by_the_mean_response(
    pairs: list[tuple[float, float]], base: float, limit: float
) -> None:
    feed, rise = np.array(pairs).T
    ration = safe_ration_kg(feed, rise, base, limit)
    assert ration >= 0.0
    if base >= limit:
        assert ration == 0.0
    else:
        assert base + ration * np.mean(rise / feed) <= limit + 1e-9
        assert safe_ration_kg(feed, rise, base, limit + 1.0) > ration


def test_exact_proportion_gives_the_exact_ration_and_no_heat_no_bound() -> None:
    assert safe_ration_kg([1.0, 2.0, 3.0], [5.0, 10.0, 15.0], 20.0, 30.0) == pytest.approx(2.0)
    assert safe_ration_kg([1.0, 2.0], [0.0, -0.2], 20.0, 30.0) == np.inf


def test_one_past_feeding_is_trusted_less() -> None:
    assert safe_ration_kg(1.0, 5.0, 20.0, 30.0) == pytest.approx(1.6)


@pytest.mark.parametrize("cause", ["feed", "weather", "sun", "fault", "none"])
def test_the_cause_of_a_rise_is_told(cause: str) -> None:
    t = np.arange(-72.0, 24.0, 0.25)
    room = np.full(len(t), 18.0)
    temp = np.full(len(t), 18.5)
    fed: list[float] = []
    if cause == "feed":
        fed = [0.0]
        temp = 18.5 + (warming(t) - 20.0)
    elif cause == "weather":
        room = 18.0 + 8.0 / (1.0 + np.exp(-(t - 6.0)))
        temp = 18.0 + 7.0 / (1.0 + np.exp(-(t - 12.0) / 3.0))
    elif cause == "sun":
        hour = t % 24.0
        temp = 18.5 + np.where(hour < 5.0, hour, np.maximum(5.0 * np.exp(-(hour - 5.0) / 4.0), 0.0))
    elif cause == "fault":
        temp = np.where(t > 20.0, 31.0, 18.5)
    assert explain_rise(t, temp, room, COOLING, fed).cause == cause


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"cooling_per_h": 0.0}, "cooling_per_h must be above 0"),
        ({"confidence": 0.0}, "confidence must lie between 0 and 1"),
        ({"fed_at_h": 9.0}, "at or after fed_at_h=9"),
        ({"temp_c": [20.0, 21.0, 200.0]}, "temp_c must lie within -60 to 110 C"),
        ({"ambient_c": [20.0]}, "of one length"),
        ({"ambient_c": float("nan")}, "ambient_c must hold at least one reading"),
        ({"feed_kg": 1.0}, "response and feed_kg must be given together"),
        ({"temp_c": [20.0, np.nan, np.nan]}, "temp_c must hold at least 2 readings"),
    ],
)
def test_what_it_cannot_take_is_named_with_its_bound(change: dict[str, object], words: str) -> None:
    given_: dict[str, object] = {
        "time_h": [0.0, 1.0, 2.0],
        "temp_c": [20.0, 21.0, 22.0],
        "ambient_c": 18.0,
        "fed_at_h": 0.0,
        "cooling_per_h": 0.1,
    }
    with pytest.raises(ValueError, match=words):
        forecast_peak(**{**given_, **change})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("feed", "rise", "words"),
    [
        ([], [], "at least one feeding"),
        ([0.0], [3.0], "past_feed_kg must be above 0"),
        ([1.0, 2.0], [3.0], "equally long"),
        ([1.0], [float("nan")], "at least one feeding"),
    ],
)
def test_a_ration_needs_past_feedings(feed: list[float], rise: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        safe_ration_kg(feed, rise, 20.0, 30.0)


def test_without_a_cool_down_there_is_no_cooling_constant() -> None:
    t = np.arange(0.0, 24.0)
    with pytest.raises(ValueError, match="must hold a cool-down"):
        cooling_constant_per_h(t, 18.0 + 0.1 * t, 15.0)


def test_a_response_needs_feedings_with_a_mass() -> None:
    with pytest.raises(ValueError, match="past must hold at least one feeding"):
        fit_feed_response([], COOLING)
    with pytest.raises(ValueError, match="feed_kg must be above 0"):
        fit_feed_response(past((0.0,)), COOLING)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000), more=st.floats(1.1, 4.0))
def test_more_feed_of_a_kind_makes_a_hotter_peak(seed: int, more: float) -> None:
    rng = np.random.default_rng(seed)
    middle = np.append(BIN_MEAN + rng.normal(0.0, 0.3, len(BIN_MEAN)), OWN_MEAN)
    kg, room = np.array([0.5, 0.5 * more]), np.full((169, 2), 20.0)
    one, other = run(np.repeat(middle[:, None], 2, axis=1), kg, room[0], np.zeros(2), room, 0).pocket_c.max(
        axis=0
    )
    assert other > one


def test_food_rots_slower_in_the_cold() -> None:
    middle = np.repeat(np.append(BIN_MEAN, OWN_MEAN)[:, None], 2, axis=1)
    room = np.repeat([[8.0, 20.0]], 169, axis=0)
    course = run(middle, np.ones(2), room[0], np.zeros(2), room, 0)
    cold, warm = course.pocket_c[1:].max(axis=0) - room[0]
    assert 0.0 < cold < warm
    assert course.heat_wh[0] < course.heat_wh[1]


def test_peaks_on_simulated_bins_are_near_and_intervals_hold_their_share() -> None:
    runs = simulate(seed=32, bins=20, days=50.0)
    alone, _ = peaks(runs, 6.0, with_past=False)
    taught, close = peaks(runs, 6.0, with_past=True)
    assert taught.count > 50
    assert taught.mae < alone.mae < alone.mae_persistence
    assert 0.65 <= taught.coverage <= 0.92  # some seventy feedings; the bench prints the large table
    assert close > 0.7
