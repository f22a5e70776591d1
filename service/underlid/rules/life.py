"""The life cycle of an alarm, by the terms and the state model of ANSI/ISA-18.2-2016 and IEC 62682:2014.

`advance` is a total function over the alarm's state and the verdict. Its timers run on `Finding.since_ms`,
which comes from the readings' times, and what it must remember is in the `Alarm`: a restart or a backlog
changes nothing.

| state                  | holds                          | clear                          | unknown |
| ---------------------- | ------------------------------ | ------------------------------ | ------- |
| normal                 | after the on-delay: raised     | on-delay starts anew           | -       |
| unacknowledged         | forecast came true: worsened   | after the off-delay: returned  | -       |
| acknowledged           | forecast came true: worsened   | after the off-delay: to normal | -       |
| returned-unacknowledged| after the on-delay: raised     | on-delay starts anew           | -       |
| shelved, out of service| the same in silence            | the same in silence            | -       |

A shelved alarm comes back when its time is over, whatever the verdict.
"""

from dataclasses import replace

from underlid.model import Alarm, AlarmState, Finding, Transition, Verdict

_UP = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
_SILENT = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
LONGEST_SHELF_MS = 90 * 86_400_000


def is_up(alarm: Alarm) -> bool:
    """Is the condition in alarm, be it in silence? This is what `Situation.active` tells the rules."""
    return alarm.state in _UP or (alarm.state in _SILENT and alarm.raised_ms is not None)


def advance(
    alarm: Alarm, finding: Finding, now_ms: int, on_delay_ms: int, off_delay_ms: int
) -> tuple[Alarm, tuple[Transition, ...]]:
    """Take an alarm on by what its rule says now: the new alarm and the steps it took, oldest first.

    Calling again with the same arguments takes no further step. ValueError for another rule's finding.
    """
    if finding.rule != alarm.rule:
        raise ValueError(f"the finding is of rule {finding.rule!r}, the alarm of {alarm.rule!r}")
    steps: list[Transition] = []
    if (
        alarm.state is AlarmState.SHELVED
        and alarm.shelved_until_ms is not None
        # One that would last longer than any may was set by a clock that has been set back since.
        and not now_ms < alarm.shelved_until_ms <= now_ms + LONGEST_SHELF_MS
    ):
        alarm, step = unshelve(alarm, now_ms)
        steps.extend(step)
    if finding.verdict is Verdict.HOLDS:
        alarm, step = _holds(alarm, finding, now_ms, on_delay_ms)
        steps.extend(step)
    elif finding.verdict is Verdict.CLEAR:
        alarm, step = _clear(alarm, finding, now_ms, off_delay_ms)
        steps.extend(step)
    return alarm, tuple(steps)


def _holds(
    alarm: Alarm, finding: Finding, now_ms: int, on_delay_ms: int
) -> tuple[Alarm, tuple[Transition, ...]]:
    before = alarm.finding
    since = finding.since_ms
    if alarm.holds_since_ms is not None and before is not None and _goes_on(before, finding):
        since = min(since, alarm.holds_since_ms)
    alarm = replace(alarm, holds_since_ms=since, clear_since_ms=None, finding=finding)
    if is_up(alarm):
        came_true = before is not None and before.forecast and not finding.forecast
        if came_true and alarm.state in _UP:
            return _step(alarm, AlarmState.UNACKNOWLEDGED, now_ms, "worsened")
        return alarm, ()
    if now_ms - since < on_delay_ms:
        return alarm, ()
    alarm = replace(alarm, raised_ms=now_ms)
    if alarm.state in _SILENT:
        return alarm, ()
    return _step(alarm, AlarmState.UNACKNOWLEDGED, now_ms, "raised")


def _goes_on(before: Finding, now: Finding) -> bool:
    """A forecast is of the latest reading and goes on from one to the next; a level has its own run."""
    return before.forecast or now.forecast or now.since_ms <= before.since_ms


def _clear(
    alarm: Alarm, finding: Finding, now_ms: int, off_delay_ms: int
) -> tuple[Alarm, tuple[Transition, ...]]:
    if not is_up(alarm):
        kept = alarm.finding
        if kept is not None and kept.verdict is Verdict.HOLDS:
            kept = finding if alarm.changed_ms else None  # what took a step has a history to show
        return replace(alarm, holds_since_ms=None, clear_since_ms=None, finding=kept), ()
    since = finding.since_ms
    if alarm.clear_since_ms is not None:
        since = max(since, min(alarm.clear_since_ms, now_ms))
    elif alarm.finding is not None and alarm.finding.forecast:
        # The level may have been clear for days; the forecast held up to the reading it used.
        since = max(since, min(alarm.finding.since_ms, now_ms))
    alarm = replace(alarm, holds_since_ms=None, clear_since_ms=since)
    if now_ms - since < off_delay_ms:
        return alarm, ()
    alarm = replace(alarm, clear_since_ms=None, finding=finding)
    if alarm.state in _SILENT:
        return replace(alarm, raised_ms=None), ()
    if alarm.state is AlarmState.ACKNOWLEDGED:
        return _step(replace(alarm, raised_ms=None), AlarmState.NORMAL, now_ms, "returned")
    return _step(alarm, AlarmState.RETURNED, now_ms, "returned")


def acknowledge(alarm: Alarm, now_ms: int, by: str) -> tuple[Alarm, tuple[Transition, ...]]:
    """Someone has seen it; a returned alarm goes to normal. ValueError when there is nothing to see."""
    if alarm.state is AlarmState.UNACKNOWLEDGED:
        return _step(alarm, AlarmState.ACKNOWLEDGED, now_ms, "acknowledged", by)
    if alarm.state is AlarmState.RETURNED:
        return _step(replace(alarm, raised_ms=None), AlarmState.NORMAL, now_ms, "acknowledged", by)
    raise ValueError(f"an alarm that is {_words(alarm)} has nothing to acknowledge")


def shelve(
    alarm: Alarm, now_ms: int, until_ms: int, reason: str, by: str
) -> tuple[Alarm, tuple[Transition, ...]]:
    """Say nothing of it until a time; what the rule says is followed in silence."""
    if alarm.state in _SILENT:
        raise ValueError(f"an alarm that is {_words(alarm)} can not be shelved; bring it back first")
    if until_ms <= now_ms:
        raise ValueError("the time to shelve an alarm until must lie in the future")
    if not is_up(alarm):
        alarm = replace(alarm, raised_ms=None)
    return _step(
        replace(alarm, shelved_until_ms=until_ms, reason=reason), AlarmState.SHELVED, now_ms, "shelved", by
    )


def unshelve(alarm: Alarm, now_ms: int, by: str = "") -> tuple[Alarm, tuple[Transition, ...]]:
    """End the shelving: unacknowledged when the condition is in alarm, else normal."""
    if alarm.state is not AlarmState.SHELVED:
        raise ValueError(f"an alarm that is {_words(alarm)} is not shelved")
    return _back(alarm, now_ms, "unshelved", by)


def take_out_of_service(
    alarm: Alarm, now_ms: int, reason: str, by: str
) -> tuple[Alarm, tuple[Transition, ...]]:
    """Say nothing of it until someone returns it to service, as for a bin that is being rebuilt."""
    if alarm.state is AlarmState.OUT_OF_SERVICE:
        raise ValueError("the alarm is out of service already")
    if not is_up(alarm):
        alarm = replace(alarm, raised_ms=None)
    alarm = replace(alarm, shelved_until_ms=None, reason=reason)
    return _step(alarm, AlarmState.OUT_OF_SERVICE, now_ms, "out-of-service", by)


def return_to_service(alarm: Alarm, now_ms: int, by: str) -> tuple[Alarm, tuple[Transition, ...]]:
    """End of out of service: unacknowledged when the condition is in alarm, else normal."""
    if alarm.state is not AlarmState.OUT_OF_SERVICE:
        raise ValueError(f"an alarm that is {_words(alarm)} is not out of service")
    return _back(alarm, now_ms, "in-service", by)


def withdraw(alarm: Alarm, now_ms: int) -> tuple[Alarm, tuple[Transition, ...]]:
    """Its subject is judged no longer: to normal, but for one that someone took out of service."""
    if alarm.state in (AlarmState.NORMAL, AlarmState.OUT_OF_SERVICE):
        return alarm, ()
    alarm = replace(
        alarm, holds_since_ms=None, clear_since_ms=None, raised_ms=None, shelved_until_ms=None, reason=""
    )
    return _step(alarm, AlarmState.NORMAL, now_ms, "withdrawn")


def next_due_ms(alarm: Alarm, now_ms: int, on_delay_ms: int, off_delay_ms: int) -> int | None:
    """When time alone will change the alarm if the readings stay as they are; None when it will not.

    In shelved that is the end of the shelving; delays that end in silence change nothing that anyone sees.
    """
    if alarm.state is AlarmState.SHELVED:
        return alarm.shelved_until_ms
    due: int | None = None
    if alarm.state in _UP:
        if alarm.clear_since_ms is not None:
            due = alarm.clear_since_ms + off_delay_ms
    elif alarm.state is not AlarmState.OUT_OF_SERVICE and alarm.holds_since_ms is not None:
        due = alarm.holds_since_ms + on_delay_ms
    return due if due is not None and due > now_ms else None


def _back(alarm: Alarm, now_ms: int, cause: str, by: str) -> tuple[Alarm, tuple[Transition, ...]]:
    after = AlarmState.UNACKNOWLEDGED if is_up(alarm) else AlarmState.NORMAL
    return _step(replace(alarm, shelved_until_ms=None, reason=""), after, now_ms, cause, by)


def _step(
    alarm: Alarm, after: AlarmState, now_ms: int, cause: str, by: str = ""
) -> tuple[Alarm, tuple[Transition, ...]]:
    before = alarm.state
    alarm = replace(alarm, state=after, changed_ms=now_ms)
    return alarm, (Transition(alarm=alarm, at_ms=now_ms, before=before, after=after, cause=cause, by=by),)


def _words(alarm: Alarm) -> str:
    return alarm.state.value.replace("-", " ")
