"""Whatever probes say: every rule finds something sayable, and the condition can be stored."""

import json
import math
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underlid.model import LogEntry, LogKind, Place, Position, Quantity, Series, Subject, SubjectKind, Verdict
from underlid.rules.catalogue import RULES, rules_for
from underlid.rules.condition import as_json, condition, from_json
from underlid.rules.limits import effective_limits
from underlid.rules.situation import Sensor, Situation

from .scenario import ALDER, FARM, HOUR_MS, MIN_MS, PROBE, SHED, START_MS, TUB, UNITS

NOW_MS = START_MS + 200 * HOUR_MS
RANGES = {
    Quantity.TEMPERATURE: (-60.0, 130.0),
    Quantity.MOISTURE: (-5.0, 105.0),
    Quantity.HUMIDITY: (-6.0, 119.0),
    Quantity.BATTERY: (0.0, 6.0),
}
LIKELY = {
    Quantity.TEMPERATURE: (-25.0, 45.0),
    Quantity.MOISTURE: (40.0, 95.0),
    Quantity.HUMIDITY: (20.0, 100.0),
    Quantity.BATTERY: (3.0, 4.2),
}


@st.composite
def sensors(draw: st.DrawFn, position: Position, quantity: Quantity) -> Sensor:
    """A few readings or many, steady or wild, even or not, fresh or long silent."""
    count = draw(st.sampled_from([0, 1, 2, 3, 5, 12, 60, 300]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    every_ms = draw(st.sampled_from([1, 10, 30, 360])) * MIN_MS
    silent_ms = draw(st.sampled_from([0, 0, 0, 20, 600, 5000])) * MIN_MS
    steps = rng.integers(1, 3, count) * every_ms if draw(st.booleans()) else np.full(count, every_ms)
    time_ms = NOW_MS - silent_ms - np.cumsum(steps)[::-1]
    low, high = draw(st.sampled_from([RANGES, LIKELY, LIKELY]))[quantity]
    match draw(st.sampled_from(["steady", "line", "walk", "wild"])):
        case "steady":
            value = np.full(count, rng.uniform(low, high))
        case "line":
            value = np.linspace(rng.uniform(low, high), rng.uniform(low, high), count)
        case "walk":
            value = rng.uniform(low, high) + np.cumsum(rng.normal(0.0, (high - low) / 300.0, count))
        case _:
            value = rng.uniform(low, high, count)
    series = Series(time_ms.astype(np.int64), np.clip(value, *RANGES[quantity]))
    return Sensor(draw(st.integers(1, 99)), position, quantity, UNITS[quantity], series)


@st.composite
def situations(draw: st.DrawFn, kind: SubjectKind) -> Situation:
    things: dict[SubjectKind, Any] = {
        SubjectKind.BIN: ALDER,
        SubjectKind.FEED_STORE: TUB,
        SubjectKind.PROBE: PROBE,
        SubjectKind.FARM: FARM,
    }
    thing = things.get(kind, SHED)
    subject = Subject(kind, "farm" if kind is SubjectKind.FARM else thing.id)
    others = draw(st.lists(sensors(Position.TOP, Quantity.TEMPERATURE), max_size=3))
    positions = {SubjectKind.FEED_STORE: [Position.FEED], SubjectKind.PLACE: []}.get(
        kind, [Position.TOP, Position.CORE, Position.BASE, Position.POCKET]
    )
    quantities = [Quantity.TEMPERATURE, Quantity.MOISTURE]
    if kind is SubjectKind.PROBE:
        quantities += [Quantity.BATTERY, Quantity.HUMIDITY]
    pairs = [(p, q) for p in positions for q in quantities]
    chosen = draw(st.lists(st.sampled_from(pairs), max_size=6)) if pairs else []
    entries = draw(
        st.lists(
            st.tuples(
                st.integers(0, 200 * 60),
                st.sampled_from(get_args(LogKind)),
                st.none() | st.floats(0.0, 20.0),
            ),
            max_size=5,
        )
    )
    air = [(Position.AIR, Quantity.TEMPERATURE), (Position.AIR, Quantity.HUMIDITY)]
    return Situation(
        subject=subject,
        name=thing.name,
        now_ms=NOW_MS,
        place=None if kind in (SubjectKind.PROBE, SubjectKind.FARM) else SHED,
        thing=thing,
        limits=effective_limits("eisenia-fetida" if kind is SubjectKind.BIN else None),
        sensors=[draw(sensors(position, quantity)) for position, quantity in chosen],
        others=len(others),
        others_heard=lambda from_ms: np.unique(
            np.concatenate(
                [np.empty(0, np.int64), *(other.series.since(from_ms).time_ms for other in others)]
            )
        ),
        air=[draw(sensors(*pair)) for pair in draw(st.lists(st.sampled_from(air), max_size=3))],
        log=[
            LogEntry(number, START_MS + minutes * MIN_MS, subject, what, amount_kg=amount)
            for number, (minutes, what, amount) in enumerate(sorted(entries, key=lambda e: e[0]), 1)
        ],
        active={rule.id: draw(st.booleans()) for rule in rules_for(kind)},
    )


@pytest.mark.parametrize("kind", list(SubjectKind))
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_every_rule_finds_something_sayable(kind: SubjectKind, data: st.DataObject) -> None:
    situation = data.draw(situations(kind))
    findings = [rule.judge(situation) for rule in rules_for(kind)]
    for finding in findings:
        assert finding.headline
        if finding.verdict is not Verdict.UNKNOWN:
            assert finding.since_ms <= NOW_MS
        assert "nan" not in finding.headline + finding.advice
        assert "inf" not in finding.headline + finding.advice
        numbers = [finding.value, finding.limit, *finding.amounts.values()]
        assert all(math.isfinite(n) for n in numbers if n is not None)
        assert all(n >= 0.0 for n in finding.amounts.values())
        if finding.verdict is Verdict.HOLDS:
            assert finding.advice
            assert finding.evidence or finding.rule in ("probe-silent", "nothing-heard")
        if finding.forecast:
            assert finding.eta_h is not None
            assert finding.eta_low_h is not None
            assert finding.eta_high_h is not None
            assert 0.0 <= finding.eta_low_h <= finding.eta_h <= finding.eta_high_h
    if kind is not SubjectKind.PROBE:
        found = condition(situation, findings)
        assert found.words
        assert from_json(json.loads(json.dumps(as_json(found), allow_nan=False))) == found


def test_rules_have_the_names_of_the_design_and_each_its_own() -> None:
    assert [rule.id for rule in RULES] == [
        "top-drying",
        "too-wet",
        "feed-heating",
        "too-warm",
        "too-cold",
        "bin-freezing",
        "feed-freezing",
        "feed-hard-frozen",
        "feed-thawed",
        "probe-silent",
        "probe-battery",
        "probe-suspect",
        "nothing-heard",
    ]


def test_a_place_has_no_rules_of_its_own() -> None:
    assert rules_for(SubjectKind.PLACE) == ()
    assert isinstance(SHED, Place)
