"""Signals: which readings count, how sensors vote, and when a silence is one."""

import numpy as np
import pytest

from underlid.model import Position, Quantity, Series
from underlid.rules.limits import effective_limits
from underlid.rules.signals import Quality, Signal, gap_ms, signal, thinned
from underlid.rules.situation import Sensor, Situation

from .scenario import ALDER, HOUR_MS, MIN_MS, SHED, START_MS, SUBJECT, series

NOW_H = 48


def seen(*specs: str, quantity: Quantity = Quantity.MOISTURE, extra: tuple[Sensor, ...] = ()) -> Signal:
    """The signal at the top from series in the scenarios' notation, 48 h after their start."""
    sensors = [
        Sensor(number, Position.TOP, quantity, "%", series(spec, number).until(START_MS + NOW_H * HOUR_MS))
        for number, spec in enumerate(specs, 1)
    ]
    situation = Situation(
        SUBJECT, "Alder", START_MS + NOW_H * HOUR_MS, SHED, ALDER, effective_limits("eisenia-fetida"),
        [*sensors, *extra],
    )  # fmt: skip
    return signal(situation, Position.TOP, quantity)


def test_no_sensor_is_absent() -> None:
    assert seen().quality is Quality.ABSENT


def test_one_sensor_is_what_it_says() -> None:
    top = seen("70 for 24h; 72 for 24h")
    assert (top.quality, top.value, top.latest_ms) == (Quality.GOOD, 72.0, START_MS + NOW_H * HOUR_MS)
    assert top.evidence == ((1, top.latest_ms, 72.0),)


def test_two_sensors_give_their_mean_and_three_their_median() -> None:
    assert seen("70 for 48h", "74 for 48h").value == 72.0
    assert seen("70 for 48h", "74 for 48h", "20 for 48h").value == 70.0


def test_a_silent_sensor_has_no_vote() -> None:
    assert seen("70 for 48h", "90 for 40h; silent for 9h").value == 70.0


def test_sensors_that_speak_at_different_times_vote_together() -> None:
    one = Sensor(9, Position.TOP, Quantity.MOISTURE, "%", series("80 for 48h", 9))
    shifted = Series(one.series.time_ms - 3 * MIN_MS, one.series.value)
    both = seen("70 for 48h", extra=(Sensor(9, Position.TOP, Quantity.MOISTURE, "%", shifted),))
    assert both.value == 75.0
    assert set(np.unique(both.series.value[2:])) == {75.0}


def test_half_an_hour_is_no_silence_and_more_is() -> None:
    assert seen("70 for 47h 40min; silent for 1h").good
    quiet = seen("70 for 47h 10min; silent for 1h")
    assert (quiet.quality, "silent" in quiet.why) == (Quality.SILENT, True)


@pytest.mark.parametrize(("every_min", "gap_min"), [(1, 30), (10, 30), (15, 45), (60, 180)])
def test_silence_is_three_of_the_own_intervals_and_at_least_half_an_hour(
    every_min: int, gap_min: int
) -> None:
    time_ms = np.arange(50, dtype=np.int64) * every_min * MIN_MS
    assert gap_ms(time_ms) == gap_min * MIN_MS
    assert gap_ms(time_ms[:2]) == 30 * MIN_MS


def test_readings_that_can_not_be_are_dropped_and_make_it_suspect_when_they_are_the_latest() -> None:
    # 85 C is what a DS18B20 says after a loss of power (data sheet): above the 80 C taken as possible.
    assert seen("20 for 47h 50min; 85 for 20min", quantity=Quantity.TEMPERATURE).value == 20.0
    lost = seen("20 for 46h; 85 for 3h", quantity=Quantity.TEMPERATURE)
    assert (lost.quality, "can not be" in lost.why) == (Quality.SUSPECT, True)


def test_a_spike_is_taken_out_and_a_step_is_kept() -> None:
    assert seen("70 for 47h 55min; 20 for 1min; 70 for 1h").value == 70.0
    assert seen("70 for 47h; 60 for 2h").value == 60.0


def test_a_value_that_never_moves_again_is_suspect_after_a_day() -> None:
    noisy = {"is": "70 for 20h", "noise": 0.2, "steps": 0.1}
    moving = series(noisy, 1)
    stuck = series("68.3 for 27h 50min", 1)
    both = Series(
        np.concatenate([moving.time_ms, stuck.time_ms + 20 * HOUR_MS + 10 * MIN_MS]),
        np.concatenate([moving.value, stuck.value]),
    )
    top = seen(extra=(Sensor(1, Position.TOP, Quantity.MOISTURE, "%", both),))
    assert (top.quality, "not moved" in top.why) == (Quality.SUSPECT, True)


def test_a_coarse_probe_may_stand_still_for_two_days() -> None:
    coarse = series({"is": "70 to 69 over 2h; 69 for 46h", "steps": 1.0}, 1)
    assert seen(extra=(Sensor(1, Position.TOP, Quantity.MOISTURE, "%", coarse),)).good


def test_moisture_is_no_reading_where_it_freezes() -> None:
    cold = Sensor(7, Position.TOP, Quantity.TEMPERATURE, "Cel", series("5 for 40h; -1 for 8h", 7))
    top = seen("70 for 40h; 20 for 8h", extra=(cold,))
    assert (top.quality, "frozen" in top.why) == (Quality.SUSPECT, True)
    assert set(top.series.value.tolist()) == {70.0}


def test_moisture_counts_again_after_a_frost() -> None:
    cold = Sensor(7, Position.TOP, Quantity.TEMPERATURE, "Cel", series("-1 for 24h; 5 for 24h", 7))
    top = seen("20 for 24h; 70 for 24h", extra=(cold,))
    assert (top.good, top.value) == (True, 70.0)


def test_thinning_keeps_the_mean_and_the_latest_time() -> None:
    full = series("60 to 72 over 12h", 1)
    thin = thinned(full, HOUR_MS)
    assert len(thin) == 13
    assert full.time_ms[-1] - thin.time_ms[-1] < HOUR_MS
    middle = np.interp(thin.time_ms, full.time_ms, full.value)
    assert np.allclose(
        thin.value[1:-1], middle[1:-1], atol=0.02
    )  # of a straight line, the mean lies on the line
