"""The life cycle under any order of readings, silences, acknowledgements, shelving and restarts."""

from collections.abc import Callable

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

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

from .scenario import stored_and_loaded

MIN = 60_000
ON, OFF = 20 * MIN, 40 * MIN
UP = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
SILENT = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
Act = Callable[[Alarm], tuple[Alarm, tuple[Transition, ...]]]


class AlarmLife(RuleBasedStateMachine):
    """Readings say holds or clear; the rule's `since` is the start of the run of alike readings.

    `alarm` lives on; `twin` is judged twice and comes from the store each time. They must not differ.
    """

    def __init__(self) -> None:
        super().__init__()
        self.now_ms = 0
        self.alarm = self.twin = Alarm(1, Subject(SubjectKind.BIN, "alder"), "top-drying")
        self.history: list[Transition] = []
        self.latest: Finding | None = None
        self.silent = False

    def judge(self) -> None:
        if self.silent or self.latest is None:
            finding = Finding("top-drying", Verdict.UNKNOWN, self.now_ms)
        else:
            finding = self.latest
        was = self.alarm
        self.alarm, steps = advance(was, finding, self.now_ms, ON, OFF)
        self.history.extend(steps)
        self.check(was, finding, steps)
        twin, twin_steps = advance(stored_and_loaded(self.twin), finding, self.now_ms, ON, OFF)
        assert twin_steps == steps
        self.twin, again = advance(stored_and_loaded(twin), finding, self.now_ms, ON, OFF)
        assert again == ()

    def check(self, was: Alarm, finding: Finding, steps: tuple[Transition, ...]) -> None:
        causes = [step.cause for step in steps]
        assert len(set(causes)) == len(causes)
        if finding.verdict is Verdict.UNKNOWN:
            assert causes in ([], ["unshelved"])
        if "raised" in causes:
            assert finding.verdict is Verdict.HOLDS
            assert not is_up(was)
            assert finding.forecast or self.now_ms - finding.since_ms >= ON or was.holds_since_ms is not None
        if "returned" in causes:
            assert finding.verdict is Verdict.CLEAR
            assert was.state in UP or was.state is AlarmState.SHELVED
            assert self.now_ms - finding.since_ms >= OFF
        if "worsened" in causes:
            assert was.finding is not None
            assert was.finding.forecast
            assert not finding.forecast
        for step in steps:
            assert step.by == ""  # time and readings have no name

    def act(self, how: Act) -> None:
        self.alarm, steps = how(self.alarm)
        self.twin, twin_steps = how(self.twin)
        assert steps == twin_steps
        assert len(steps) == 1
        self.history.extend(steps)

    @rule(minutes=st.integers(0, 60))
    def time_goes_on(self, minutes: int) -> None:
        self.now_ms += minutes * MIN
        self.judge()

    @rule(holding=st.booleans(), forecast=st.booleans())
    def a_reading_comes(self, holding: bool, forecast: bool) -> None:
        self.silent = False
        verdict = Verdict.HOLDS if holding else Verdict.CLEAR
        forecast = forecast and holding
        before = self.latest
        same_run = before is not None and before.verdict is verdict and not before.forecast and not forecast
        since_ms = before.since_ms if same_run and before is not None else self.now_ms
        self.latest = Finding("top-drying", verdict, since_ms, forecast=forecast)
        self.judge()

    @rule()
    def the_probe_falls_silent(self) -> None:
        self.silent = True
        self.judge()

    @precondition(lambda self: self.alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED))
    @rule()
    def the_keeper_acknowledges(self) -> None:
        self.act(lambda alarm: acknowledge(alarm, self.now_ms, "Keeper"))

    @precondition(lambda self: self.alarm.state not in SILENT)
    @rule(minutes=st.integers(1, 200))
    def the_keeper_shelves(self, minutes: int) -> None:
        until_ms = self.now_ms + minutes * MIN
        self.act(lambda alarm: shelve(alarm, self.now_ms, until_ms, "later", "Keeper"))

    @precondition(lambda self: self.alarm.state is AlarmState.SHELVED)
    @rule()
    def the_keeper_unshelves(self) -> None:
        self.act(lambda alarm: unshelve(alarm, self.now_ms, "Keeper"))

    @precondition(lambda self: self.alarm.state is not AlarmState.OUT_OF_SERVICE)
    @rule()
    def the_keeper_takes_it_out_of_service(self) -> None:
        self.act(lambda alarm: take_out_of_service(alarm, self.now_ms, "rebuilt", "Keeper"))

    @precondition(lambda self: self.alarm.state is AlarmState.OUT_OF_SERVICE)
    @rule()
    def the_keeper_returns_it_to_service(self) -> None:
        self.act(lambda alarm: return_to_service(alarm, self.now_ms, "Keeper"))

    @invariant()
    def live_and_reloaded_are_the_same(self) -> None:
        assert self.twin == self.alarm

    @invariant()
    def the_history_leads_to_the_state(self) -> None:
        state = AlarmState.NORMAL
        raised = 0
        for step in self.history:
            assert step.before is state
            state = step.after
            raised += step.before not in UP and step.after in UP
            raised -= step.before in UP and step.after not in UP
        assert state is self.alarm.state
        assert raised == (self.alarm.state in UP)
        times = [step.at_ms for step in self.history]
        assert times == sorted(times)

    @invariant()
    def what_is_due_lies_ahead(self) -> None:
        due_ms = next_due_ms(self.alarm, self.now_ms, ON, OFF)
        if due_ms is None:
            return
        if self.alarm.state is not AlarmState.SHELVED:
            assert due_ms > self.now_ms
        # and then something happens, if the rule says the same
        finding = self.latest
        pending = self.alarm.clear_since_ms is None
        if finding is not None and (finding.verdict is Verdict.HOLDS) is pending:
            assert advance(self.alarm, finding, due_ms, ON, OFF)[1]

    @invariant()
    def only_what_is_up_or_returned_was_raised(self) -> None:
        if self.alarm.state is AlarmState.NORMAL:
            assert self.alarm.raised_ms is None
        if self.alarm.state in UP:
            assert self.alarm.raised_ms is not None


TestAlarmLife = AlarmLife.TestCase
TestAlarmLife.settings = settings(max_examples=40, stateful_step_count=25, deadline=None)
