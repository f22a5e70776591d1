"""Spells and what they come to: worked out by hand, beside the terms of ISA-18.2-2016 (from memory)."""

import pytest

from underlid.model import Alarm, AlarmState, Finding, Priority, Subject, SubjectKind, Transition, Verdict
from underlid.rules.performance import DAY_MS, HOUR_MS, performance
from underlid.rules.spells import Pair, Spell, side_by_side, spells

MIN_MS = 60_000
ALDER, BIRCH = Subject(SubjectKind.BIN, "alder"), Subject(SubjectKind.BIN, "birch")
N, U, A, R, S = (
    AlarmState.NORMAL,
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED,
    AlarmState.SHELVED,
)


def step(at_ms: int, before: AlarmState, after: AlarmState, cause: str, forecast: bool = False) -> Transition:
    finding = Finding("too-cold", Verdict.HOLDS, at_ms, forecast, Priority.TODAY, headline="cold")
    return Transition(Alarm(1, ALDER, "too-cold", after, finding=finding), at_ms, before, after, cause)


def spell(from_h: float, to_h: float | None, **more: object) -> Spell:
    end = None if to_h is None else round(to_h * HOUR_MS)
    values = {"subject": ALDER, "rule": "too-cold", "forecast": False, "priority": Priority.TODAY} | more
    return Spell(from_ms=round(from_h * HOUR_MS), to_ms=end, headline="cold", **values)  # type: ignore[arg-type]


def test_a_spell_goes_from_raised_to_returned_with_what_happened_in_it() -> None:
    [one] = spells(
        [
            step(1, N, U, "raised", forecast=True),
            step(2, U, A, "acknowledged"),
            step(3, A, U, "worsened"),
            step(4, U, R, "returned"),
        ]
    )
    assert (one.from_ms, one.acknowledged_ms, one.true_ms, one.to_ms) == (1, 2, 3, 4)
    assert (one.forecast, one.ended) == (True, "returned")


def test_one_that_was_over_when_it_was_seen_was_seen_then() -> None:
    first, second = spells(
        [
            step(1, N, U, "raised"),
            step(2, U, R, "returned"),
            step(9, R, N, "acknowledged"),
            step(12, N, U, "raised"),
        ]
    )
    assert (first.to_ms, first.acknowledged_ms) == (2, 9)
    assert (second.from_ms, second.to_ms, second.acknowledged_ms) == (12, None, None)


def test_shelving_ends_a_spell_and_coming_back_begins_one() -> None:
    found = spells([step(1, N, U, "raised"), step(2, U, S, "shelved"), step(5, S, U, "unshelved")])
    assert [(one.from_ms, one.to_ms, one.ended) for one in found] == [(1, 2, "shelved"), (5, None, "")]


def test_an_alarm_that_stood_before_the_first_step_known_is_up_from_there() -> None:
    [one] = spells([step(7, U, A, "acknowledged"), step(9, A, N, "returned")])
    assert (one.from_ms, one.acknowledged_ms, one.to_ms) == (7, 7, 9)


def test_spells_are_paired_with_those_of_their_time() -> None:
    early, late, other = spell(1, 3), spell(30, 40), spell(2, 4, subject=BIRCH)
    assert side_by_side([early, other], [spell(2, 5), late]) == [
        Pair(early, spell(2, 5)),
        Pair(other, None),
        Pair(None, late),
    ]


def test_a_long_spell_is_the_counterpart_of_two_short_ones() -> None:
    long, first, second = spell(1, 30), spell(2, 5), spell(20, 24)
    assert side_by_side([long], [first, second]) == [Pair(long, first), Pair(long, second)]
    assert side_by_side([first, second], [long]) == [Pair(first, long), Pair(second, long)]


def test_figures_of_a_rule_are_those_worked_out_by_hand() -> None:
    found = [
        spell(1, 3, acknowledged_ms=2 * HOUR_MS),  # seen after 1 h
        spell(10, 40, acknowledged_ms=13 * HOUR_MS),  # 30 h long: stale; seen after 3 h
        spell(50, None, forecast=True, true_ms=56 * HOUR_MS),  # lead 6 h; up to the end of day 4: stale
        spell(60, 61, subject=BIRCH, forecast=True, false_ms=1),
    ]
    [rule] = performance(found, 0, 4 * DAY_MS).rules
    assert (rule.alarms, rule.acknowledged, rule.acknowledged_after_h) == (4, 2, 2.0)
    assert (rule.stale, rule.false, rule.chattering) == (2, 1, 0)
    assert (rule.forecasts, rule.came_true, rule.lead_h, rule.least_lead_h) == (2, 1, 6.0, 6.0)


@pytest.mark.parametrize(("minutes", "chatters"), [((0, 4, 9), 1), ((0, 4, 11), 0), ((0, 6, 11, 15), 1)])
def test_chattering_is_three_beginnings_in_ten_minutes(minutes: tuple[int, ...], chatters: int) -> None:
    found = [spell(m / 60, (m + 1) / 60) for m in minutes]
    told = performance(found, 0, DAY_MS)
    assert told.rules[0].chattering == chatters
    assert next(b for b in told.benchmarks if b.name == "chattering").is_met is (chatters == 0)


def test_the_rate_is_for_each_keeper_and_day_and_a_flood_is_seen() -> None:
    found = [spell(5 + n / 600, 6, subject=Subject(SubjectKind.BIN, str(n))) for n in range(12)]
    told = performance(found, 0, 3 * DAY_MS, keepers=2)
    figures = {b.name: (b.value, b.is_met) for b in told.benchmarks}
    assert told.a_day == figures["a-day"][0] == 2.0
    assert figures["peak"] == (12.0, False)
    assert figures["flood-share-pct"][0] == pytest.approx(100.0 / (3 * 144))
    with pytest.raises(ValueError, match="end after"):
        performance(found, DAY_MS, 0)
