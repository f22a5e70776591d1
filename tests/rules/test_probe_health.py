"""How a probe is: rhythm, battery, signal, gaps and doubts, from series in the scenarios' notation."""

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from underlid.model import Position, Quantity, Series, Subject, SubjectKind, Verdict
from underlid.rules import probe_silent, probe_suspect
from underlid.rules.limits import effective_limits
from underlid.rules.probe_health import Gap, ProbeHealth, as_json, from_json, probe_health
from underlid.rules.probe_suspect import drift
from underlid.rules.situation import Sensor, Situation, TwinSeries

from .scenario import HOUR_MS, MIN_MS, PROBE, START_MS, series

UNITS = {
    Quantity.TEMPERATURE: "Cel",
    Quantity.MOISTURE: "%",
    Quantity.HUMIDITY: "%RH",
    Quantity.BATTERY: "V",
    Quantity.SIGNAL: "dBm",
}
WEEK: Mapping[str, Any] = {"is": "20 to 24 over 84h; 24 to 20 over 84h", "noise": 0.1}


def sensor(quantity: Quantity, spec: str | Mapping[str, Any], number: int = 1, **other: Any) -> Sensor:
    return Sensor(number, Position.TOP, quantity, UNITS[quantity], series(spec, number), **other)


def situation(*sensors: Sensor, now_h: float = 168.0) -> Situation:
    return Situation(
        Subject(SubjectKind.PROBE, PROBE.id),
        PROBE.name,
        START_MS + round(now_h * HOUR_MS),
        None,
        PROBE,
        effective_limits(None),
        sensors,
    )


def health(*sensors: Sensor, now_h: float = 168.0) -> ProbeHealth:
    found = probe_health(situation(*sensors, now_h=now_h))
    assert from_json(json.loads(json.dumps(as_json(found), allow_nan=False))) == found
    return found


@pytest.mark.parametrize(
    ("silent", "state"), [("20min", "on-time"), ("50min", "late"), ("1h 50min", "late"), ("3h", "silent")]
)
def test_late_is_by_its_own_rhythm_and_silent_by_its_patience(silent: str, state: str) -> None:
    spoke_h = 24
    hours = {"20min": 1 / 3, "50min": 5 / 6, "1h 50min": 11 / 6, "3h": 3.0}[silent]
    rhythm = health(sensor(Quantity.TEMPERATURE, f"20 for {spoke_h}h"), now_h=spoke_h + hours).rhythm
    assert rhythm.state == state
    assert rhythm.interval_min == 10
    assert rhythm.next_ms == START_MS + spoke_h * HOUR_MS + 10 * MIN_MS


def test_a_slow_probe_whose_channels_take_turns_has_the_rhythm_of_one_of_them() -> None:
    slow = {"is": "20 for 96h", "every": "3h"}
    one, two = sensor(Quantity.TEMPERATURE, slow), sensor(Quantity.MOISTURE, slow, 2)
    two = replace(two, series=Series(two.series.time_ms + 1000, two.series.value))
    seen = situation(one, two, now_h=100)
    assert probe_health(seen).rhythm.interval_min == 180
    # Three of its intervals are nine hours; that it said two things within a second makes it no faster.
    assert probe_health(seen).rhythm.patience_h == 9
    assert probe_silent.judge(seen).verdict is Verdict.CLEAR


def test_a_probe_that_never_spoke_has_no_rhythm() -> None:
    rhythm = health().rhythm
    assert (rhythm.state, rhythm.interval_min, rhythm.next_ms) == ("silent", None, None)


def test_gaps_are_those_of_the_last_day_and_one_may_go_on() -> None:
    spec = "20 for 20h; silent for 2h; 20 for 20h; silent for 3h; 20 for 4h; silent for 5h"
    found = health(_spoken(spec, 52), now_h=52)
    hours = [((gap.from_ms - START_MS) / HOUR_MS, (gap.to_ms - START_MS) / HOUR_MS) for gap in found.gaps]
    # The first ended 30 h ago. A series ends with the last reading before its silence.
    assert hours == [(pytest.approx(42, abs=0.2), 45.0), (pytest.approx(49, abs=0.2), 52.0)]
    assert found.gaps[-1].to_ms == found.at_ms
    steady = health(sensor(Quantity.TEMPERATURE, "20 for 52h"), now_h=52)
    assert steady.gaps == ()
    long = health(_spoken("20 for 10h; silent for 42h", 52), now_h=52)
    assert long.gaps == (Gap(START_MS + 28 * HOUR_MS, START_MS + 52 * HOUR_MS),)


def _spoken(spec: str, before_h: float) -> Sensor:
    """A thermometer's readings before a time: a series in the notation has one at its very end."""
    found = sensor(Quantity.TEMPERATURE, spec)
    return replace(found, series=found.series.until(START_MS + round(before_h * HOUR_MS) - 1))


@pytest.mark.parametrize(
    ("dbm", "word"), [(-48, "strong"), (-60, "strong"), (-66, "good"), (-77, "weak"), (-88, "hardly-any")]
)
def test_the_signal_is_told_in_words(dbm: int, word: str) -> None:
    # -60, -70, -80 dBm: common practice, no source.
    found = health(sensor(Quantity.SIGNAL, f"{dbm} for 24h"), now_h=24).signal
    assert found is not None
    assert (found.state, found.dbm) == (word, dbm)


def test_one_lost_packet_does_not_weaken_the_signal() -> None:
    found = health(sensor(Quantity.SIGNAL, "-55 for 24h; -90 for 10min"), now_h=24.2).signal
    assert found is not None
    assert found.state == "strong"


def test_a_battery_tells_its_days_and_a_steady_one_that_they_are_unknown() -> None:
    # 0.01 V an hour from 3.9 V is 3.36 V at 54 h; the 0.06 V down to 3.3 V last 6 h.
    falling = {"is": "3.9 to 3.3 over 60h", "noise": 0.005}
    cell = sensor(Quantity.BATTERY, falling)
    seen = replace(cell, series=cell.series.until(START_MS + 54 * HOUR_MS))
    low = health(seen, now_h=54).battery
    assert low is not None
    assert low.state == "low"
    assert low.left_h == pytest.approx(6.0, rel=0.1)
    steady = health(sensor(Quantity.BATTERY, {"is": "3.9 for 168h", "noise": 0.01})).battery
    assert steady is not None
    assert (steady.state, steady.left_h) == ("fine", None)
    quiet = sensor(Quantity.BATTERY, "3.9 for 48h")
    silent = health(quiet, now_h=60).battery
    assert silent is not None
    assert (silent.state, silent.left_h) == ("unknown", None)
    assert health(sensor(Quantity.TEMPERATURE, "20 for 24h"), now_h=24).battery is None


def test_every_doubt_is_told_with_what_to_look_at() -> None:
    stuck = sensor(Quantity.TEMPERATURE, "20 for 168h")
    lost = sensor(Quantity.MOISTURE, {"is": "70 for 150h; 120 for 18h", "noise": 0.2}, 2)
    sound = sensor(Quantity.HUMIDITY, {"is": "80 for 168h", "noise": 1.0}, 3)
    doubts = health(stuck, lost, sound).doubts
    assert [(d.channel, d.words, d.advice.split(".")[0]) for d in doubts] == [
        (1, "stands still at 20.0", "Take it out, clean it and see whether it moves"),
        (2, "reads what can not be", "Look at its plug and cable; a wet joint does this"),
    ]


def test_a_thermometer_that_goes_with_the_air_is_out_of_the_bedding() -> None:
    days = 7
    time_ms = START_MS + np.arange(0, days * 24 * 6 + 1) * 10 * MIN_MS
    hours = (time_ms - START_MS) / HOUR_MS
    noise = np.random.default_rng(4).normal(0, 0.1, len(hours))
    air = Series(time_ms, 10 + 5 * np.sin(hours / 24 * 2 * np.pi))
    bedding = 14 + 0.8 * np.sin((hours - 7) / 24 * 2 * np.pi)
    pulled = np.where(hours > 120, air.value, bedding) + noise
    spare = sensor(Quantity.TEMPERATURE, "20 for 1h")
    [doubt] = health(replace(spare, series=Series(time_ms, pulled), air=air)).doubts
    assert "out of the bedding" in doubt.words
    assert "press it back" in doubt.advice
    assert (doubt.since_ms - START_MS) / HOUR_MS == pytest.approx(120, abs=12)
    assert health(replace(spare, series=Series(time_ms, bedding + noise), air=air)).doubts == ()


def twins(per_day: float, together_h: float = 168.0, quantity: Quantity = Quantity.TEMPERATURE) -> Sensor:
    """A week of a channel that leaves its twin by so much a day, the two compared for so long."""
    own = sensor(quantity, WEEK)
    days = (own.series.time_ms - START_MS) / HOUR_MS / 24
    other = series(WEEK, 2).since(START_MS + round((168.0 - together_h) * HOUR_MS))
    own = replace(own, series=Series(own.series.time_ms, own.series.value + per_day * days))
    return replace(own, twin=TwinSeries("Birch stake top-temp", other))


@pytest.mark.parametrize("per_day", [0.4, -0.4])
def test_drift_against_a_twin_is_told_with_how_much_a_day_and_what_to_do(per_day: float) -> None:
    finding = probe_suspect.judge(situation(twins(per_day)))
    assert finding.verdict is Verdict.HOLDS
    way = "up" if per_day > 0 else "down"
    assert (
        f"its temperature drifts {way} from its twin Birch stake top-temp by 0.4 °C/day" in finding.headline
    )
    assert "side by side" in finding.advice
    assert finding.amounts["drift_per_day"] == pytest.approx(0.4, rel=0.05)
    assert finding.since_ms <= START_MS + 168 * HOUR_MS


def test_twins_that_agree_or_stay_the_same_apart_raise_nothing() -> None:
    assert probe_suspect.judge(situation(twins(0.0))).verdict is Verdict.CLEAR
    apart = twins(0.0)
    apart = replace(apart, series=Series(apart.series.time_ms, apart.series.value + 3.0))
    assert probe_suspect.judge(situation(apart)).verdict is Verdict.CLEAR


def test_two_days_together_are_too_few_for_a_judgement() -> None:
    assert drift(twins(1.0, together_h=48)) is None
    assert probe_suspect.judge(situation(twins(1.0, together_h=48))).verdict is Verdict.CLEAR
    found = drift(twins(1.0, together_h=96))
    assert found is not None
    assert (found.per_day, found.drifting) == (pytest.approx(1.0, rel=0.05), True)


def test_what_twins_part_over_the_time_together_counts_not_over_the_whole_series() -> None:
    # 0.25 C a day over the four days together is 1.0 C, at which twins may part; over the week it were 1.75 C.
    found = drift(twins(0.23, together_h=96))
    assert found is not None
    assert not found.drifting
    whole = drift(twins(0.23))
    assert whole is not None
    assert whole.drifting


def test_a_twin_that_fell_silent_two_days_ago_says_nothing() -> None:
    own = twins(0.4)
    assert own.twin is not None
    silent = replace(own, twin=TwinSeries("Birch", own.twin.series.until(START_MS + 120 * HOUR_MS)))
    assert drift(silent) is None
    assert drift(replace(own, twin=None)) is None
    assert drift(replace(own, twin=TwinSeries("Birch", own.twin.series.until(START_MS - 1)))) is None
