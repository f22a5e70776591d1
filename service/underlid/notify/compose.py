"""From a step in an alarm's life to what is written for it: the retained state and a notice a target. Pure."""

from collections.abc import Iterable
from datetime import tzinfo
from typing import Any

import orjson

from underlid.model import AlarmState, Message, Notice, Priority, SubjectKind, Transition
from underlid.notify.hours import next_daily_ms
from underlid.target import RESERVED, Target

MQTT = RESERVED
RETURNED = "returned"
PUSHED = ("raised", "worsened", RETURNED)
GATHER_URGENT_MS = 20_000  # steps of one cause within this time are told together
GATHER_MS = 120_000
NOT_TOLD = "below what is told there"


def step_key(step: Transition) -> str:
    """Tells a step apart from every other, so that a receiver can recognise a repeat."""
    return f"{step.alarm.subject}/{step.alarm.rule}/{step.cause}/{step.at_ms}"


def state_message(step: Transition, name: str) -> Message:
    """The alarm's state after the step, for MQTT."""
    alarm = step.alarm
    finding = alarm.finding
    key = step_key(step)
    state: dict[str, Any] = {
        "name": name,
        "rule": alarm.rule,
        "state": step.after.value,
        "cause": step.cause,
        "at_ms": step.at_ms,
        "key": key,
    }
    if finding is not None:
        state |= {
            "priority": finding.priority.value,
            "forecast": finding.forecast,
            "headline": finding.headline,
            "advice": finding.advice,
            "caution": finding.caution,
            "amounts": dict(finding.amounts),
            "eta_h": finding.eta_h,
        }
    # What is below underlid/probe/ is the probes' own to say, and the intake listens there.
    whose = f"probes/{alarm.subject.id}" if alarm.subject.kind is SubjectKind.PROBE else str(alarm.subject)
    topic = f"underlid/{whose}/alarm/{alarm.rule}"
    return Message(key, MQTT, "", orjson.dumps(state).decode(), step.at_ms, topic=topic)


def is_pushed(step: Transition) -> bool:
    """Is it something people are told? What a keeper did by hand is not told back."""
    over_by_itself = step.cause == "unshelved" and not step.by and step.after is AlarmState.UNACKNOWLEDGED
    return step.cause in PUSHED or over_by_itself


def notices(step: Transition, name: str, targets: Iterable[Target], zone: tzinfo) -> list[Notice]:
    """What each target is to hear of the step. One that it is not told of is settled from the start."""
    finding = step.alarm.finding
    if not is_pushed(step) or finding is None:
        return []
    found = []
    for target in targets:
        due_ms = due_at_ms(target, finding.priority, step.cause, step.at_ms, zone)
        found.append(
            Notice(
                step_key(step),
                target.name,
                step.alarm.id,
                step.alarm.subject,
                step.alarm.rule,
                name,
                step.cause,
                step.at_ms,
                due_ms,
                finding.priority,
                finding.forecast,
                finding.value,
                finding.limit,
                finding.unit,
                finding.headline,
                finding.advice,
                finding.caution,
                outcome="" if due_ms else NOT_TOLD,
            )
        )
    return found


def due_at_ms(target: Target, priority: Priority, cause: str, at_ms: int, zone: tzinfo) -> int | None:
    """When a notice is due: after its gathering time, with the digest, or (None) never.

    That something is over has no priority of its own: whether its beginning was told decides.
    """
    gather_ms = GATHER_URGENT_MS if target.at_once else GATHER_MS
    if cause == RETURNED:
        return at_ms + gather_ms
    if target.is_told(priority):
        return at_ms + (GATHER_URGENT_MS if priority is Priority.URGENT else gather_ms)
    return None if target.digest is None else next_daily_ms(target.digest, at_ms, target.clocks(zone))
