"""What nobody acknowledged and gets worse is told again, but not too often."""

import pytest
from tests.notify.desk import HOUR_MS, MINUTE_MS, Desk, at, target

from underlid.model import AlarmState, Priority

NOON = at("25 12:00")


def told_again(desk: Desk, from_ms: int, to_ms: int) -> list[float]:
    """When it was told, in hours after noon, looking every five minutes."""
    before = len(desk.told)
    for now_ms in range(from_ms, to_ms, 5 * MINUTE_MS):
        desk.look_for_worse(now_ms)
        desk.gather(now_ms)
    return [(now_ms - NOON) / HOUR_MS for now_ms, _ in desk.told[before:]]


def raised(priority: Priority, **fields: object) -> Desk:
    desk = Desk(target(**fields))
    desk.take(1, "raised", NOON, priority, value=4.0)  # the limit is 5 °C
    desk.gather(NOON + 2 * MINUTE_MS)
    assert len(desk.told) == 1
    return desk


@pytest.mark.parametrize(("priority", "hours"), [(Priority.URGENT, 2), (Priority.TODAY, 12)])
def test_a_value_a_step_further_past_its_limit_is_told_after_a_while(priority: Priority, hours: int) -> None:
    desk = raised(priority)
    desk.now_at(1, 2.0, priority)
    [when] = told_again(desk, NOON, NOON + 40 * HOUR_MS)
    assert hours <= when <= hours + 0.2
    desk.now_at(1, 0.0, priority)
    assert len(told_again(desk, NOON + 40 * HOUR_MS, NOON + 80 * HOUR_MS)) == 1


def test_less_than_a_step_the_better_side_and_the_acknowledged_are_not_told_again() -> None:
    for value, state in (
        (2.5, AlarmState.UNACKNOWLEDGED),
        (9.0, AlarmState.UNACKNOWLEDGED),
        (-5.0, AlarmState.ACKNOWLEDGED),
    ):
        desk = raised(Priority.URGENT)
        desk.now_at(1, value, Priority.URGENT)
        desk.put(1, state)
        assert told_again(desk, NOON, NOON + 40 * HOUR_MS) == []


def test_an_alarm_that_becomes_more_urgent_is_told_at_once_and_once() -> None:
    desk = raised(Priority.TODAY)
    desk.now_at(1, 4.0, Priority.URGENT)
    assert told_again(desk, NOON + HOUR_MS, NOON + 30 * HOUR_MS) == [1.0]


def test_who_is_told_only_what_is_urgent_hears_when_it_becomes_so() -> None:
    desk = Desk(target(least="urgent"))
    desk.take(1, "raised", NOON, Priority.TODAY)
    assert told_again(desk, NOON, NOON + HOUR_MS) == []
    desk.now_at(1, 4.0, Priority.URGENT)
    assert told_again(desk, NOON + HOUR_MS, NOON + 30 * HOUR_MS) == [1.0]
    desk.take(1, "returned", NOON + 30 * HOUR_MS)
    assert len(told_again(desk, NOON + 30 * HOUR_MS, NOON + 31 * HOUR_MS)) == 1


def test_a_forecast_that_came_true_within_the_time_waits_and_is_dropped_when_it_is_over() -> None:
    desk = Desk(target())
    desk.take(1, "raised", NOON, forecast=True)
    told_again(desk, NOON, NOON + HOUR_MS)
    desk.take(1, "worsened", NOON + HOUR_MS)
    [when] = told_again(desk, NOON + HOUR_MS, NOON + 30 * HOUR_MS)
    assert 12 <= when <= 12.2
    desk.take(1, "worsened", NOON + 30 * HOUR_MS, Priority.URGENT)
    assert len(told_again(desk, NOON + 30 * HOUR_MS, NOON + 31 * HOUR_MS)) == 1  # more urgent: at once


def test_a_target_that_came_later_is_not_told_of_the_past() -> None:
    desk = Desk(target())
    desk.take(1, "raised", NOON)
    desk.notices.clear()
    desk.now_at(1, -9.0, Priority.URGENT)
    assert told_again(desk, NOON, NOON + 40 * HOUR_MS) == []
