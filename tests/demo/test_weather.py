"""The demo's weather: a cold spell at "now", whatever the calendar says."""

import numpy as np
import pytest

from demo.pasts import STARTS, SUMMER, start_ms
from underlid.demo.weather import DAY_MS, HOUR_MS, Weather

SEEDS = range(1, 7)


def hours(from_d: float, to_d: float, now_ms: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return now_ms + np.arange(from_d * DAY_MS, to_d * DAY_MS, HOUR_MS)


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("seed", SEEDS)
def test_now_lies_in_a_frost_after_a_mild_spell_and_before_a_thaw(start: str, seed: int) -> None:
    weather = Weather(seed, start_ms(start))
    frost = weather.outdoors(hours(-4.5, 2.5, weather.now_ms)).temp_c
    assert frost.max() < -1.0
    assert frost.reshape(7, 24).min(axis=1).max() < -5.0  # every night
    assert weather.outdoors(hours(-20, -6.5, weather.now_ms)).temp_c.mean() > 2.0
    assert weather.outdoors(hours(4.5, 9.5, weather.now_ms)).temp_c.mean() > 2.0


@pytest.mark.parametrize("seed", SEEDS)
def test_the_shed_stays_between_frost_and_summer_and_is_dry_in_the_cold(seed: int) -> None:
    weather = Weather(seed, start_ms(SUMMER))
    times = hours(-20, 10, weather.now_ms)
    shed = weather.shed(times)
    assert 8.0 < shed.temp_c.min() <= shed.temp_c.max() < 20.0
    in_frost = weather.shed(hours(-4, 2, weather.now_ms)).rh_pct.mean()
    before = weather.shed(hours(-20, -7, weather.now_ms)).rh_pct.mean()
    assert in_frost < before - 10.0


def test_air_is_humid_within_bounds_and_the_sun_shines_by_day_only() -> None:
    weather = Weather(3, start_ms(SUMMER), utc_offset_h=2.0)
    times = hours(-30, 30, weather.now_ms)
    air = weather.outdoors(times)
    local_hour = (times / HOUR_MS + 2.0) % 24.0
    assert 30.0 <= air.rh_pct.min() <= air.rh_pct.max() <= 99.0
    assert np.all(air.sun_w_m2 >= 0.0)
    assert np.all(air.sun_w_m2[(local_hour < 8.0) | (local_hour > 16.0)] == 0.0)
    assert air.sun_w_m2.max() > 150.0


def test_afternoons_are_warmer_than_nights_by_the_farms_own_clock() -> None:
    weather = Weather(2, start_ms(SUMMER), utc_offset_h=-7.0)
    times = hours(-60, 60, weather.now_ms)
    temp = weather.outdoors(times).temp_c
    local_hour = (times / HOUR_MS - 7.0) % 24.0
    afternoon, night = (abs(local_hour - 14.5) < 1.5, abs(local_hour - 3.5) < 1.5)
    assert temp[afternoon].mean() - temp[night].mean() > 2.0


def test_a_seed_gives_one_weather_and_another_seed_another() -> None:
    times = hours(-20, 10, start_ms(SUMMER))
    one, same, other = (Weather(seed, start_ms(SUMMER)).outdoors(times).temp_c for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    assert np.abs(one - other).max() > 1.0


def test_asking_for_a_moment_gives_what_asking_for_the_month_gave() -> None:
    weather = Weather(1, start_ms(SUMMER))
    times = hours(-20, 10, weather.now_ms)
    for shed_or_not in (weather.outdoors, weather.shed):
        month = shed_or_not(times)
        moment = shed_or_not(times[[100]])
        assert (moment.temp_c[0], moment.rh_pct[0]) == (month.temp_c[100], month.rh_pct[100])
