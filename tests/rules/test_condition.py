"""The condition: what is seen where, where it is going, and one line of words."""

import json
from collections.abc import Sequence
from typing import get_args, get_type_hints

import numpy as np
import pytest

from underlid.model import Bin, FeedStore, Finding, Place, Position, Quantity, Series, Subject, SubjectKind
from underlid.rules.catalogue import rules_for
from underlid.rules.condition import (
    Condition,
    Forecast,
    PositionState,
    StoredFeed,
    as_json,
    condition,
    from_json,
)
from underlid.rules.limits import effective_limits
from underlid.rules.signals import theil_sen
from underlid.rules.situation import Sensor, Situation
from underlid.web.shapes import ConditionShape, ForecastShape, PositionShape, Shape, StoredFeedShape

from .scenario import ALDER, HOUR_MS, SHED, START_MS, TUB, UNITS, series

NOW_MS = START_MS + 48 * HOUR_MS


def look(kind: SubjectKind = SubjectKind.BIN, **specs: str) -> Condition:
    """The condition 48 h after the start; keys like `top_moisture`, values in the scenarios' notation."""
    known: list[Sensor] = []
    for number, (key, spec) in enumerate(specs.items(), 1):
        position, quantity = key.split("_")
        readings = series({"is": spec, "noise": 0.01}, number).until(NOW_MS)
        known.append(
            Sensor(number, Position(position), Quantity(quantity), UNITS[Quantity(quantity)], readings)
        )
    things: dict[SubjectKind, Bin | FeedStore | Place] = {
        SubjectKind.BIN: ALDER,
        SubjectKind.FEED_STORE: TUB,
        SubjectKind.PLACE: SHED,
    }
    thing = things[kind]
    situation = Situation(
        Subject(kind, thing.id),
        thing.name,
        NOW_MS,
        SHED,
        thing,
        effective_limits("eisenia-fetida" if kind is SubjectKind.BIN else None),
        [s for s in known if s.position is not Position.AIR],
        [s for s in known if s.position is Position.AIR],
    )
    findings: Sequence[Finding] = [rule.judge(situation) for rule in rules_for(kind)]
    return condition(situation, findings)


def only(found: Condition) -> PositionState:
    (state,) = found.positions
    return state


@pytest.mark.parametrize(
    ("ours", "shape"),
    [
        (Condition, ConditionShape),
        (PositionState, PositionShape),
        (StoredFeed, StoredFeedShape),
        (Forecast, ForecastShape),
    ],
)
def test_it_has_the_fields_of_the_api(ours: type, shape: type[Shape]) -> None:
    names = {name.removesuffix("_ms") for name in get_type_hints(ours)}
    assert names == set(shape.model_fields)


def test_the_words_of_state_and_trend_are_those_of_the_api() -> None:
    for field in ("trend", "state"):
        assert set(get_args(get_type_hints(PositionState)[field])) == set(
            get_args(PositionShape.model_fields[field].annotation)
        )
    assert set(get_args(get_type_hints(StoredFeed)["state"])) == set(
        get_args(StoredFeedShape.model_fields["state"].annotation)
    )


def test_a_well_kept_bin_is_all_well() -> None:
    found = look(top_moisture="76 for 48h", core_temperature="20 for 48h")
    assert found.words == "all well"
    assert [(p.position, p.quantity, p.state, p.trend) for p in found.positions] == [
        (Position.TOP, Quantity.MOISTURE, "ok", "steady"),
        (Position.CORE, Quantity.TEMPERATURE, "ok", "steady"),
    ]
    assert (found.positions[0].low, found.positions[0].high) == (65.0, 88.0)


def test_low_and_high_are_told_by_the_limits() -> None:
    assert only(look(top_moisture="60 for 48h")).state == "low"
    assert only(look(top_moisture="92 for 48h")).state == "high"
    assert only(look(core_temperature="31 for 48h")).state == "high"
    assert only(look(pocket_temperature="31 for 48h")).state == "ok"  # worms can leave a pocket


def test_the_trend_is_per_hour_over_the_last_twelve() -> None:
    falling = only(look(top_moisture="80 to 74.4 over 28h; 74.4 to 70.4 over 20h"))
    assert falling.trend == "falling"
    assert falling.trend_per_h == pytest.approx(-0.2, abs=0.02)  # 4 points in 20 h
    assert only(look(core_temperature="20 to 30 over 50h")).trend == "rising"


def test_a_new_probe_has_no_trend_yet() -> None:
    state = only(look(core_temperature="silent for 46h; 20 for 3h"))
    assert (state.trend, state.trend_per_h) == ("unknown", None)


def test_a_silent_probe_is_stale_and_says_for_how_long() -> None:
    found = look(top_moisture="76 for 36h; silent for 13h")
    assert (only(found).state, only(found).trend) == ("stale", "unknown")
    assert found.words == "no probe has spoken for 12 h"


def test_drying_that_is_far_off_is_told_without_an_alarm() -> None:
    found = look(top_moisture="80 to 71 over 48h")  # 0.1875 %/h: 65 % is 32 h away, past the horizon of 24 h
    forecast = only(found).forecast
    assert forecast is not None
    assert 16.0 < forecast.eta_h < 64.0
    assert found.words.startswith("all well; top will be too dry in about")


def test_a_finding_gives_the_line() -> None:
    assert look(top_moisture="60 for 48h", core_temperature="20 for 48h").words == "top is 60 % — too dry"


def test_a_bin_without_probes_says_so() -> None:
    assert look().words == "no probe is placed here yet"


def test_a_place_is_its_air() -> None:
    found = look(SubjectKind.PLACE, air_temperature="12.4 for 48h", air_humidity="71 for 48h")
    assert found.words == "air 12 °C, 71 % humidity"
    assert [p.position for p in found.positions] == [Position.AIR, Position.AIR]
    assert look(SubjectKind.PLACE).words == "no probe measures the air here now"


def test_a_tub_says_how_frozen_it_is() -> None:
    soft = look(
        SubjectKind.FEED_STORE, feed_temperature="8.02 for 48h", air_temperature="8 for 48h"
    ).stored_feed
    assert soft is not None
    assert (soft.state, soft.hours_to_change, soft.words) == ("soft", None, "not frozen; 8.0 °C inside")
    hard = look(SubjectKind.FEED_STORE, feed_temperature="-3 to -20 over 12h; -20 for 37h").stored_feed
    assert hard is not None
    assert hard.state == "hard-frozen"
    # -18 C is passed at 12 h x 15/17 = 10.6 h, 37.4 h before now.
    assert hard.hard_frozen_h == pytest.approx(37.4, abs=1.5)
    assert look(SubjectKind.FEED_STORE).words == "nothing is known of it: no probe speaks"
    first = look(SubjectKind.FEED_STORE, feed_temperature="silent for 47h; 8 for 55min").stored_feed
    assert first is not None
    assert first.words == "too little is known of it yet"


def test_it_goes_through_json_unchanged() -> None:
    for found in (
        look(top_moisture="80 to 71 over 48h", core_temperature="20 for 48h"),
        look(SubjectKind.FEED_STORE, feed_temperature="3 to -2 over 48h", air_temperature="-5 for 48h"),
    ):
        assert from_json(json.loads(json.dumps(as_json(found), allow_nan=False))) == found
        assert isinstance(as_json(found)["at_ms"], int)


def test_the_slope_of_pairs_bears_a_wild_reading() -> None:
    time_h = np.arange(10.0)
    value = 3.0 + 0.5 * time_h
    value[4] = 90.0
    # Of 45 pairs 36 have the slope 0.5: so has the median.
    assert theil_sen(time_h, value) == pytest.approx(0.5)
    assert theil_sen(np.arange(40.0), 2.0 * np.arange(40.0)) == pytest.approx(2.0)


def test_readings_of_other_quantities_are_not_shown() -> None:
    battery = Sensor(1, Position.TOP, Quantity.BATTERY, "V", Series(np.array([NOW_MS]), np.array([3.9])))
    limits = effective_limits("eisenia-fetida")
    subject = Subject(SubjectKind.BIN, "alder")
    situation = Situation(subject, "Alder", NOW_MS, SHED, ALDER, limits, [battery])
    assert condition(situation, []).positions == ()
