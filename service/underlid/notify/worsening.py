"""When an alarm that nobody acknowledged is told again. Pure."""

from underlid.model import Alarm, AlarmState, Notice, Priority, Verdict
from underlid.notify.compose import RETURNED
from underlid.target import Target, outranks

HOUR_MS = 3_600_000
LEAST_MS = {Priority.URGENT: 2 * HOUR_MS}  # between two messages about one alarm
LEAST_ELSE_MS = 12 * HOUR_MS
# How much further past its limit a value is news; common practice, no source.
STEP = {"Cel": 2.0, "%": 3.0, "h": 24.0, "V": 0.1, "%EL": 5.0}


def again_from_ms(told_ms: int, priority: Priority) -> int:
    """The earliest time at which an alarm told then may be told again at this priority."""
    return told_ms + LEAST_MS.get(priority, LEAST_ELSE_MS)


def news(target: Target, alarm: Alarm, last: Notice, told: Notice | None, now_ms: int) -> Notice | None:
    """A notice that a standing alarm got worse, where the target should hear of it.

    `last` is the latest notice of the alarm for the target, `told` the latest that was told there.
    """
    finding = alarm.finding
    if (
        alarm.state is not AlarmState.UNACKNOWLEDGED
        or finding is None
        or finding.verdict is not Verdict.HOLDS
    ):
        return None
    if last.cause == RETURNED or not target.is_told(finding.priority):
        return None
    more_urgent = outranks(finding.priority, last.priority)
    if last.due_ms is not None and not more_urgent:
        return None  # what is to be told of it waits already
    if not more_urgent and not (
        told is not None
        and told.told_ms is not None
        and now_ms >= again_from_ms(told.told_ms, finding.priority)
        and is_further(told, alarm)
    ):
        return None
    return Notice(
        f"{alarm.subject}/{alarm.rule}/worsening/{now_ms}",
        target.name,
        alarm.id,
        alarm.subject,
        alarm.rule,
        last.name,
        "worsening",
        now_ms,
        now_ms,
        finding.priority,
        finding.forecast,
        finding.value,
        finding.limit,
        finding.unit,
        finding.headline,
        finding.advice,
        finding.caution,
    )


def is_further(told: Notice, alarm: Alarm) -> bool:
    """Is the value a step further past its limit than when it was told? A forecast is not past it yet."""
    now = alarm.finding
    if now is None or now.forecast or told.forecast or now.unit != told.unit:
        return False
    if now.value is None or told.value is None or now.limit is None or told.limit is None:
        return False
    past = now.value - now.limit
    before = told.value - told.limit
    if past * before < 0:
        return False
    return abs(past) - abs(before) >= STEP.get(now.unit, float("inf"))
