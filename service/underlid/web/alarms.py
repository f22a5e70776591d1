"""Alarms: the list, one with its history, and what a keeper does with it."""

from collections.abc import Callable, Mapping, Set
from dataclasses import replace
from typing import Literal

from fastapi import APIRouter, HTTPException

from underlid.model import Alarm, AlarmState, Priority, Subject, Transition
from underlid.rules import life
from underlid.store import alarms as alarm_store
from underlid.store import catalogue
from underlid.store.ledger import Connection
from underlid.survey import FARM
from underlid.web.context import Context, Ctx, Me, name_of
from underlid.web.edge import Id, mark, offset, subject_from
from underlid.web.farm import Limit, alarm_summary
from underlid.web.problems import not_found
from underlid.web.shapes import (
    AlarmDetail,
    AlarmShape,
    EvidenceShape,
    FalseMark,
    OutOfService,
    Page,
    Shelve,
    SubjectShape,
    TransitionShape,
)

router = APIRouter(prefix="/alarms", tags=["alarms"])

_STATES = list(AlarmState)
_URGENCY = {priority: place for place, priority in enumerate(Priority)}

Step = Callable[[Alarm, int], tuple[Alarm, tuple[Transition, ...]]]


@router.get("")
def list_alarms(
    ctx: Ctx,
    show: Literal["live", "all"] = "live",
    subject: str | None = None,
    limit: Limit = 200,
    after: str | None = None,
) -> Page[AlarmShape]:
    """Live ones (all but the normal), the unacknowledged and urgent first; or all, last changed first."""
    whose = subject_from(subject) if subject else None
    with ctx.ledger.reading() as connection:
        names, false = subject_names(connection), alarm_store.marked_false(connection)
        if show == "live":
            found = alarm_store.alarms(connection, whose, live_only=True)
            found = sorted((a for a in found if a.finding is not None), key=_urgency)
            start = offset(after)
            following = str(start + limit) if len(found) > start + limit else None
            return Page(items=[_shape(a, names, false) for a in found[start : start + limit]], next=following)
        found = alarm_store.alarms(connection, whose, limit=limit + 1, before=mark(after))
    last = found[limit - 1] if len(found) > limit else None
    shapes = [_shape(alarm, names, false) for alarm in found[:limit] if alarm.finding is not None]
    return Page(items=shapes, next=f"{last.changed_ms}-{last.id}" if last else None)


@router.get("/{alarm_id}")
def get_alarm(ctx: Ctx, alarm_id: Id) -> AlarmDetail:
    with ctx.ledger.reading() as connection:
        alarm = alarm_store.alarm(connection, alarm_id)
        if alarm is None or alarm.finding is None:
            raise not_found("alarm", alarm_id)
        names, false = subject_names(connection), alarm_store.marked_false(connection)
        history = [
            TransitionShape(
                at=step.at_ms,
                before=step.before,
                after=step.after,
                cause=step.cause,
                by=step.by,
                headline=step.alarm.finding.headline if step.alarm.finding else "",
            )
            for step in alarm_store.history(connection, alarm)
        ]
    return AlarmDetail(**_shape(alarm, names, false).model_dump(), history=history)


@router.post("/{alarm_id}/acknowledge")
def acknowledge(ctx: Ctx, me: Me, alarm_id: Id) -> AlarmDetail:
    return _take_on(ctx, alarm_id, lambda alarm, now_ms: life.acknowledge(alarm, now_ms, name_of(me)))


@router.post("/{alarm_id}/shelve")
def shelve(ctx: Ctx, me: Me, alarm_id: Id, body: Shelve) -> AlarmDetail:
    def step(alarm: Alarm, now_ms: int) -> tuple[Alarm, tuple[Transition, ...]]:
        until_ms = now_ms + round(body.hours * 3_600_000)
        return life.shelve(alarm, now_ms, until_ms, body.reason, name_of(me))

    return _take_on(ctx, alarm_id, step)


@router.post("/{alarm_id}/unshelve")
def unshelve(ctx: Ctx, me: Me, alarm_id: Id) -> AlarmDetail:
    return _take_on(ctx, alarm_id, lambda alarm, now_ms: life.unshelve(alarm, now_ms, name_of(me)))


@router.post("/{alarm_id}/out-of-service")
def take_out_of_service(ctx: Ctx, me: Me, alarm_id: Id, body: OutOfService) -> AlarmDetail:
    return _take_on(
        ctx, alarm_id, lambda alarm, now_ms: life.take_out_of_service(alarm, now_ms, body.reason, name_of(me))
    )


@router.post("/{alarm_id}/in-service")
def return_to_service(ctx: Ctx, me: Me, alarm_id: Id) -> AlarmDetail:
    return _take_on(ctx, alarm_id, lambda alarm, now_ms: life.return_to_service(alarm, now_ms, name_of(me)))


@router.put("/{alarm_id}/false")
def mark_false(ctx: Ctx, alarm_id: Id, body: FalseMark) -> AlarmDetail:
    """Mark that there was nothing to an alarm the last time it was up, or take that back."""
    with ctx.ledger.writing() as connection:
        alarm = alarm_store.alarm(connection, alarm_id)
        if alarm is None:
            raise not_found("alarm", alarm_id)
        began = alarm_store.beginning(connection, alarm_id)
        if began is None:
            raise HTTPException(409, "This alarm was never up; there is nothing to mark.")
        alarm_store.mark_false(connection, began, ctx.clock() if body.was_false else None)
    ctx.nudge("alarm", str(alarm_id))
    return get_alarm(ctx, alarm_id)


def _take_on(ctx: Context, alarm_id: Id, act: Step) -> AlarmDetail:
    """Take an alarm on by a keeper's hand; the step, its history and its messages commit together."""
    now_ms = ctx.clock()
    with ctx.ledger.writing() as connection:
        alarm = alarm_store.alarm(connection, alarm_id)
        if alarm is None or alarm.finding is None:
            raise not_found("alarm", alarm_id)
        names = subject_names(connection)
        try:
            after, steps = act(alarm, now_ms)
        except ValueError as error:
            raise HTTPException(409, f"{str(error).capitalize()}.") from error
        alarm_store.save(connection, replace(after, changed_ms=now_ms))
        for step in steps:
            alarm_store.add_transition(connection, step)
            ctx.post(connection, step, names.get(alarm.subject, alarm.subject.id))
    ctx.posted()
    ctx.subject_changed(alarm.subject)
    ctx.nudge("alarm", str(alarm_id))
    return get_alarm(ctx, alarm_id)


def subject_names(connection: Connection) -> dict[Subject, str]:
    """Of all that has alarms, the farm among them."""
    farm = catalogue.farm(connection)
    return catalogue.names(connection) | ({FARM: farm.name} if farm else {})


def _urgency(alarm: Alarm) -> tuple[int, int, int]:
    assert alarm.finding is not None
    return _STATES.index(alarm.state), _URGENCY[alarm.finding.priority], -alarm.changed_ms


def _shape(alarm: Alarm, names: Mapping[Subject, str], false: Set[int]) -> AlarmShape:
    finding = alarm.finding
    assert finding is not None
    return AlarmShape(
        **alarm_summary(alarm).model_dump(),
        subject=SubjectShape(kind=alarm.subject.kind, id=alarm.subject.id),
        subject_name=names.get(alarm.subject, alarm.subject.id),
        position=finding.position,
        value=finding.value,
        limit=finding.limit,
        unit=finding.unit,
        eta_low_h=finding.eta_low_h,
        eta_high_h=finding.eta_high_h,
        caution=finding.caution,
        amounts=dict(finding.amounts),
        raised=alarm.raised_ms,
        since=alarm.holds_since_ms,
        shelved_until=alarm.shelved_until_ms,
        reason=alarm.reason,
        was_false=alarm.id in false,
        evidence=[EvidenceShape(channel=c, at=at, value=v) for c, at, v in finding.evidence],
    )
