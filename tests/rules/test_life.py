"""The alarm's life cycle, cell by cell.

Terms and states: the alarm state transition diagram of ANSI/ISA-18.2-2016 and IEC 62682:2014 (normal,
unacknowledged, acknowledged, returned to normal unacknowledged, shelved, out of service; from memory).
On-delay, off-delay and the re-alarm of what got worse: OPC 10000-9, section 5.8 and annex B.1.5.
"""

from dataclasses import replace

import pytest

from underlid.model import Alarm, AlarmState, Finding, Subject, SubjectKind, Transition, Verdict
from underlid.rules.life import (
    acknowledge,
    advance,
    is_up,
    next_due_ms,
    return_to_service,
    shelve,
    take_out_of_service,
    unshelve,
)

MIN = 60_000
ON, OFF = 30 * MIN, 60 * MIN
SUBJECT = Subject(SubjectKind.BIN, "alder")
NORMAL = Alarm(1, SUBJECT, "top-drying")


def says(verdict: Verdict, since_min: float, *, forecast: bool = False) -> Finding:
    return Finding("top-drying", verdict, round(since_min * MIN), forecast=forecast)


def holds(since_min: float) -> Finding:
    return says(Verdict.HOLDS, since_min)


def will(since_min: float) -> Finding:
    return says(Verdict.HOLDS, since_min, forecast=True)


def clear(since_min: float) -> Finding:
    return says(Verdict.CLEAR, since_min)


UNKNOWN = says(Verdict.UNKNOWN, 0)


def go(alarm: Alarm, finding: Finding, now_min: float) -> tuple[Alarm, list[str]]:
    """Advance, and give the steps as 'before>after cause'."""
    after, steps = advance(alarm, finding, round(now_min * MIN), ON, OFF)
    return after, told(steps)


def told(steps: tuple[Transition, ...]) -> list[str]:
    return [f"{step.before}>{step.after} {step.cause}" for step in steps]


def raised(forecast: bool = False) -> Alarm:
    """Unacknowledged since minute 30, holding since minute 0."""
    finding = will(0) if forecast else holds(0)
    alarm, steps = go(NORMAL, finding, 30)
    assert steps == ["normal>unacknowledged raised"]
    return alarm


def acknowledged(forecast: bool = False) -> Alarm:
    return acknowledge(raised(forecast), 31 * MIN, "Keeper")[0]


def returned() -> Alarm:
    alarm, steps = go(raised(), clear(40), 100)
    assert steps == ["unacknowledged>returned-unacknowledged returned"]
    return alarm


def shelved(alarm: Alarm = NORMAL) -> Alarm:
    """Shelved at minute 200 until minute 500."""
    return shelve(alarm, 200 * MIN, 500 * MIN, "waiting for bedding", "Keeper")[0]


# --- the eighteen cells ---


def test_normal_and_holds_waits_for_the_on_delay() -> None:
    alarm, steps = go(NORMAL, holds(0), 29.9)
    assert (alarm.state, steps, alarm.holds_since_ms) == (AlarmState.NORMAL, [], 0)


def test_normal_and_holds_is_raised_at_the_end_of_the_on_delay() -> None:
    alarm, steps = go(NORMAL, holds(0), 30)
    assert steps == ["normal>unacknowledged raised"]
    assert (alarm.raised_ms, alarm.changed_ms, alarm.finding) == (30 * MIN, 30 * MIN, holds(0))


def test_normal_and_clear_starts_the_on_delay_anew() -> None:
    pending, _ = go(NORMAL, holds(0), 20)
    alarm, steps = go(pending, clear(21), 25)
    assert (alarm, steps) == (NORMAL, [])
    alarm, steps = go(alarm, holds(26), 50)
    assert (alarm.state, steps) == (AlarmState.NORMAL, [])


def test_what_was_once_an_alarm_keeps_a_finding_after_a_moment_that_was_none() -> None:
    ended, _ = go(acknowledge(raised(), 40 * MIN, "Keeper")[0], clear(50), 200)
    assert ended.state is AlarmState.NORMAL
    pending, _ = go(ended, holds(300), 301)
    after, steps = go(pending, clear(302), 303)
    assert (after.state, steps, after.finding) == (AlarmState.NORMAL, [], clear(302))


def test_a_clock_set_back_does_not_keep_an_alarm_up_for_the_step() -> None:
    days = 3 * 24 * 60
    forecast = replace(holds(days), forecast=True)
    alarm, _ = go(raised(), forecast, days)
    clearing, _ = go(alarm, clear(100), 100)
    assert clearing.clear_since_ms == 100 * MIN
    ahead, _ = go(alarm, clear(days + 10), days + 20)
    after, steps = go(ahead, clear(200), 300)
    assert after.clear_since_ms == 300 * MIN
    after, steps = go(after, clear(200), 400)
    assert steps == ["unacknowledged>returned-unacknowledged returned"]


def test_normal_and_unknown_changes_nothing() -> None:
    pending, _ = go(NORMAL, holds(0), 20)
    assert go(pending, UNKNOWN, 100) == (pending, [])
    assert go(NORMAL, UNKNOWN, 100) == (NORMAL, [])


def test_unacknowledged_and_holds_stays_and_takes_the_new_finding() -> None:
    later = replace(holds(0), value=58.0)
    alarm, steps = go(raised(), later, 60)
    assert (alarm.state, steps, alarm.finding) == (AlarmState.UNACKNOWLEDGED, [], later)
    assert alarm.raised_ms == 30 * MIN


def test_unacknowledged_and_clear_waits_for_the_off_delay() -> None:
    alarm, steps = go(raised(), clear(40), 99.9)
    assert (alarm.state, steps, alarm.clear_since_ms) == (AlarmState.UNACKNOWLEDGED, [], 40 * MIN)


def test_unacknowledged_and_clear_returns_at_the_end_of_the_off_delay() -> None:
    alarm, steps = go(raised(), clear(40), 100)
    assert steps == ["unacknowledged>returned-unacknowledged returned"]
    assert alarm.finding == clear(40)


def test_unacknowledged_and_holding_again_within_the_off_delay_is_the_same_alarm() -> None:
    clearing, _ = go(raised(), clear(40), 50)
    alarm, steps = go(clearing, holds(55), 56)
    assert (alarm.state, steps, alarm.clear_since_ms) == (AlarmState.UNACKNOWLEDGED, [], None)
    alarm, steps = go(alarm, clear(60), 110)
    assert steps == []  # the off-delay has started anew


def test_unacknowledged_and_unknown_changes_nothing() -> None:
    assert go(raised(), UNKNOWN, 10_000) == (raised(), [])
    clearing, _ = go(raised(), clear(40), 50)
    assert go(clearing, UNKNOWN, 10_000) == (clearing, [])


def test_acknowledged_and_holds_stays_silent() -> None:
    alarm, steps = go(acknowledged(), holds(0), 300)
    assert (alarm.state, steps) == (AlarmState.ACKNOWLEDGED, [])


def test_acknowledged_and_clear_goes_to_normal_after_the_off_delay() -> None:
    alarm, steps = go(acknowledged(), clear(40), 99)
    assert (alarm.state, steps) == (AlarmState.ACKNOWLEDGED, [])
    alarm, steps = go(alarm, clear(40), 100)
    assert steps == ["acknowledged>normal returned"]
    assert (alarm.raised_ms, alarm.holds_since_ms) == (None, None)


def test_acknowledged_and_unknown_changes_nothing() -> None:
    assert go(acknowledged(), UNKNOWN, 10_000) == (acknowledged(), [])


def test_returned_and_holds_is_raised_again_after_the_on_delay() -> None:
    alarm, steps = go(returned(), holds(110), 139)
    assert (alarm.state, steps) == (AlarmState.RETURNED, [])
    alarm, steps = go(alarm, holds(110), 140)
    assert steps == ["returned-unacknowledged>unacknowledged raised"]
    assert alarm.raised_ms == 140 * MIN


def test_returned_and_clear_stays_until_it_is_acknowledged() -> None:
    alarm, steps = go(returned(), clear(40), 10_000)
    assert (alarm, steps) == (returned(), [])


def test_returned_and_unknown_changes_nothing() -> None:
    assert go(returned(), UNKNOWN, 10_000) == (returned(), [])


def test_shelved_and_holds_says_nothing_but_keeps_count() -> None:
    alarm, steps = go(shelved(), holds(210), 300)
    assert (alarm.state, steps, is_up(alarm)) == (AlarmState.SHELVED, [], True)


def test_shelved_and_clear_says_nothing_but_keeps_count() -> None:
    alarm, steps = go(shelved(raised()), clear(210), 300)
    assert (alarm.state, steps, is_up(alarm)) == (AlarmState.SHELVED, [], False)


def test_shelved_and_unknown_changes_nothing() -> None:
    assert go(shelved(raised()), UNKNOWN, 499) == (shelved(raised()), [])


def test_out_of_service_and_holds_says_nothing() -> None:
    out, _ = take_out_of_service(NORMAL, 200 * MIN, "rebuilt", "Keeper")
    alarm, steps = go(out, holds(210), 10_000)
    assert (alarm.state, steps) == (AlarmState.OUT_OF_SERVICE, [])


def test_out_of_service_and_clear_says_nothing() -> None:
    out, _ = take_out_of_service(raised(), 200 * MIN, "rebuilt", "Keeper")
    alarm, steps = go(out, clear(210), 10_000)
    assert (alarm.state, steps, is_up(alarm)) == (AlarmState.OUT_OF_SERVICE, [], False)


def test_out_of_service_and_unknown_changes_nothing() -> None:
    out, _ = take_out_of_service(raised(), 200 * MIN, "rebuilt", "Keeper")
    assert go(out, UNKNOWN, 10_000) == (out, [])


# --- forecasts ---


def test_a_forecast_that_holds_with_every_new_reading_ends_its_on_delay() -> None:
    alarm = NORMAL
    steps: list[str] = []
    for minute in (0, 10, 20, 30):
        assert steps == []
        alarm, steps = go(alarm, will(minute), minute)
    assert steps == ["normal>unacknowledged raised"]


def test_a_forecast_that_comes_true_while_unacknowledged_is_worsened_once() -> None:
    alarm, steps = go(raised(forecast=True), holds(50), 51)
    assert steps == ["unacknowledged>unacknowledged worsened"]
    assert go(alarm, holds(50), 61)[1] == []


def test_a_forecast_that_comes_true_after_it_was_acknowledged_is_unacknowledged_again() -> None:
    alarm, steps = go(acknowledged(forecast=True), holds(50), 51)
    assert steps == ["acknowledged>unacknowledged worsened"]
    assert alarm.raised_ms == 30 * MIN


def test_a_forecast_alarm_clears_from_the_last_reading_that_forecast_it() -> None:
    """The level itself may have been clear for days: that alone must not end the off-delay."""
    alarm, steps = go(replace(raised(forecast=True), finding=will(90)), clear(-5000), 100)
    assert (alarm.clear_since_ms, steps) == (90 * MIN, [])
    assert go(alarm, clear(-5000), 149)[1] == []
    assert go(alarm, clear(-5000), 150)[1] == ["unacknowledged>returned-unacknowledged returned"]


def test_a_forecast_that_becomes_true_during_the_on_delay_keeps_its_count() -> None:
    pending, _ = go(NORMAL, will(0), 0)
    assert go(pending, holds(20), 30)[1] == ["normal>unacknowledged raised"]


def test_looking_more_often_does_not_lose_the_count_of_a_forecast_that_came_true() -> None:
    alarm, _ = go(NORMAL, will(0), 0)
    for minute in (10, 15, 20, 25):
        alarm, steps = go(alarm, holds(10), minute)
        assert steps == []
    assert go(alarm, holds(10), 30)[1] == ["normal>unacknowledged raised"]


def test_a_run_that_was_broken_unseen_in_a_backlog_starts_anew() -> None:
    pending, _ = go(NORMAL, holds(0), 20)
    alarm, steps = go(pending, holds(25), 31)
    assert (steps, alarm.holds_since_ms) == ([], 25 * MIN)


# --- what people do ---


def test_acknowledging_a_returned_alarm_ends_it() -> None:
    alarm, steps = acknowledge(returned(), 200 * MIN, "Keeper")
    assert told(steps) == ["returned-unacknowledged>normal acknowledged"]
    assert (steps[0].by, steps[0].at_ms, alarm.raised_ms) == ("Keeper", 200 * MIN, None)


@pytest.mark.parametrize("alarm", [NORMAL, acknowledged(), shelved(raised())])
def test_there_is_nothing_to_acknowledge_in_other_states(alarm: Alarm) -> None:
    with pytest.raises(ValueError, match="nothing to acknowledge"):
        acknowledge(alarm, 600 * MIN, "Keeper")


def test_shelving_ends_by_time_even_if_nothing_is_known() -> None:
    up = shelved(raised())
    assert go(up, UNKNOWN, 499.9)[1] == []
    alarm, steps = go(up, UNKNOWN, 500)
    assert steps == ["shelved>unacknowledged unshelved"]
    assert (alarm.shelved_until_ms, alarm.reason) == (None, "")


def test_shelving_that_ends_with_all_well_goes_to_normal() -> None:
    alarm, _ = go(shelved(raised()), clear(210), 300)
    assert go(alarm, clear(210), 500)[1] == ["shelved>normal unshelved"]


def test_what_began_while_shelved_is_said_when_the_shelving_ends() -> None:
    alarm, _ = go(shelved(), holds(490), 495)
    assert go(alarm, holds(490), 500)[1] == ["shelved>normal unshelved"]
    alarm, _ = go(shelved(), holds(210), 300)
    assert go(alarm, holds(210), 500)[1] == ["shelved>unacknowledged unshelved"]


def test_a_forecast_that_came_true_while_shelved_is_no_second_step() -> None:
    alarm, steps = go(shelved(raised(forecast=True)), holds(300), 301)
    assert steps == []
    assert go(alarm, holds(300), 500)[1] == ["shelved>unacknowledged unshelved"]


def test_unshelving_by_hand_names_who_did_it() -> None:
    _, steps = unshelve(shelved(acknowledged()), 300 * MIN, "Keeper")
    assert (told(steps), steps[0].by) == (["shelved>unacknowledged unshelved"], "Keeper")


def test_shelving_a_returned_alarm_does_not_bring_it_back() -> None:
    assert told(unshelve(shelved(returned()), 300 * MIN)[1]) == ["shelved>normal unshelved"]


def test_shelving_needs_a_time_in_the_future() -> None:
    with pytest.raises(ValueError, match="future"):
        shelve(raised(), 200 * MIN, 200 * MIN, "", "Keeper")


def test_what_is_shelved_or_out_of_service_can_not_be_shelved() -> None:
    out, _ = take_out_of_service(NORMAL, 200 * MIN, "rebuilt", "Keeper")
    for alarm in (shelved(), out):
        with pytest.raises(ValueError, match="can not be shelved"):
            shelve(alarm, 300 * MIN, 400 * MIN, "", "Keeper")


def test_what_is_not_shelved_can_not_be_unshelved() -> None:
    with pytest.raises(ValueError, match="is not shelved"):
        unshelve(returned(), 300 * MIN, "Keeper")


def test_out_of_service_does_not_end_by_time_and_returns_by_hand() -> None:
    out, steps = take_out_of_service(shelved(raised()), 300 * MIN, "rebuilt", "Keeper")
    assert told(steps) == ["shelved>out-of-service out-of-service"]
    assert go(out, UNKNOWN, 100_000) == (out, [])
    _, steps = return_to_service(out, 400 * MIN, "Keeper")
    assert told(steps) == ["out-of-service>unacknowledged in-service"]


def test_out_of_service_twice_or_back_without_it_is_refused() -> None:
    out, _ = take_out_of_service(NORMAL, 200 * MIN, "rebuilt", "Keeper")
    with pytest.raises(ValueError, match="out of service already"):
        take_out_of_service(out, 300 * MIN, "rebuilt", "Keeper")
    with pytest.raises(ValueError, match="not out of service"):
        return_to_service(raised(), 300 * MIN, "Keeper")


def test_a_finding_of_another_rule_is_refused() -> None:
    with pytest.raises(ValueError, match="too-wet"):
        advance(NORMAL, replace(holds(0), rule="too-wet"), 0, ON, OFF)


# --- when to look again ---


def due(alarm: Alarm, now_min: float) -> float | None:
    at = next_due_ms(alarm, round(now_min * MIN), ON, OFF)
    return None if at is None else at / MIN


def test_time_alone_ends_delays_and_shelving_and_nothing_else() -> None:
    assert due(NORMAL, 0) is None
    assert due(go(NORMAL, holds(5), 10)[0], 10) == 35
    assert due(raised(), 40) is None
    assert due(go(raised(), clear(40), 50)[0], 50) == 100
    assert due(go(acknowledged(), clear(40), 50)[0], 50) == 100
    assert due(returned(), 200) is None
    assert due(go(returned(), holds(110), 112)[0], 112) == 140
    assert due(shelved(raised()), 300) == 500
    out, _ = take_out_of_service(raised(), 200 * MIN, "rebuilt", "Keeper")
    assert due(out, 300) is None


def test_a_delay_that_ended_in_silence_is_not_due_for_ever() -> None:
    pending, _ = go(NORMAL, holds(0), 20)
    after, _ = go(pending, UNKNOWN, 100)
    assert due(after, 100) is None
