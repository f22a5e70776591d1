"""Alarms, the history of their transitions, and the present condition of each subject."""

from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import Connection, Row, Select, delete, func, insert, select, update

from underlid.model import (
    Alarm,
    AlarmState,
    Finding,
    Position,
    Priority,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.store import tables


def alarms(
    connection: Connection,
    subject: Subject | None = None,
    live_only: bool = False,
    limit: int | None = None,
    before: tuple[int, int] | None = None,
) -> list[Alarm]:
    """Alarms last changed first; live ones are all but the normal; `before` (changed, id) goes on."""
    table = tables.alarm
    query = select(table)
    if subject is not None:
        query = query.where(table.c.subject_kind == subject.kind.value, table.c.subject_id == subject.id)
    if live_only:
        query = query.where(table.c.state != AlarmState.NORMAL.value)
    if before is not None:
        changed_ms, alarm_id = before
        earlier = (table.c.changed_ms == changed_ms) & (table.c.id < alarm_id)
        query = query.where((table.c.changed_ms < changed_ms) | earlier)
    query = query.order_by(table.c.changed_ms.desc(), table.c.id.desc()).limit(limit)
    return [_alarm(row) for row in connection.execute(query)]


def up(connection: Connection) -> set[tuple[Subject, str]]:
    """Of which subjects and rules the condition is in alarm, be it in silence."""
    table = tables.alarm
    loud = table.c.state.in_([AlarmState.UNACKNOWLEDGED.value, AlarmState.ACKNOWLEDGED.value])
    silent = table.c.state.in_([AlarmState.SHELVED.value, AlarmState.OUT_OF_SERVICE.value])
    query = select(table.c.subject_kind, table.c.subject_id, table.c.rule)
    rows = connection.execute(query.where(loud | (silent & table.c.raised_ms.is_not(None))))
    return {(Subject(SubjectKind(kind), id_), rule) for kind, id_, rule in rows}


def alarm(connection: Connection, alarm_id: int) -> Alarm | None:
    row = connection.execute(select(tables.alarm).where(tables.alarm.c.id == alarm_id)).first()
    return _alarm(row) if row else None


def save(connection: Connection, alarm: Alarm) -> Alarm:
    """Keep an alarm; gives it with its id."""
    table = tables.alarm
    values = {
        "subject_kind": alarm.subject.kind.value,
        "subject_id": alarm.subject.id,
        "rule": alarm.rule,
        "state": alarm.state.value,
        "holds_since_ms": alarm.holds_since_ms,
        "clear_since_ms": alarm.clear_since_ms,
        "raised_ms": alarm.raised_ms,
        "changed_ms": alarm.changed_ms,
        "shelved_until_ms": alarm.shelved_until_ms,
        "reason": alarm.reason,
        "finding": asdict(alarm.finding) if alarm.finding else None,
    }
    if alarm.id:
        connection.execute(update(table).where(table.c.id == alarm.id).values(values))
        return alarm
    new_id = connection.execute(insert(table).values(values).returning(table.c.id)).scalar_one()
    return replace(alarm, id=new_id)


def add_transition(connection: Connection, transition: Transition) -> None:
    """Write a step into the history; its alarm is stored already."""
    finding = transition.alarm.finding
    connection.execute(
        insert(tables.transition).values(
            alarm_id=transition.alarm.id,
            at_ms=transition.at_ms,
            before=transition.before.value,
            after=transition.after.value,
            cause=transition.cause,
            by=transition.by,
            finding=asdict(finding) if finding else None,
        )
    )


def history(connection: Connection, alarm: Alarm) -> list[Transition]:
    """Every transition of an alarm, newest first, each with the finding of its time."""
    table = tables.transition
    query = select(table).where(table.c.alarm_id == alarm.id).order_by(table.c.id.desc())
    return [_transition(row, alarm) for row in connection.execute(query)]


def transitions(connection: Connection, from_ms: int, to_ms: int) -> list[Transition]:
    """The steps of all alarms after a time and up to another, and of each the last one before; oldest first."""
    table = tables.transition
    before = select(func.max(table.c.id)).where(table.c.at_ms <= from_ms).group_by(table.c.alarm_id)
    wanted = (table.c.at_ms > from_ms) | table.c.id.in_(before)
    query = select(table).where(table.c.at_ms <= to_ms, wanted).order_by(table.c.at_ms, table.c.id)
    known = {alarm.id: alarm for alarm in alarms(connection)}
    return [_transition(row, known[row.alarm_id]) for row in connection.execute(query)]


def beginning(connection: Connection, alarm_id: int) -> int | None:
    """The id of the step with which an alarm was last raised, or came back; None: it never was up."""
    return connection.execute(_beginnings().where(tables.transition.c.alarm_id == alarm_id)).scalar()


def marked_false(connection: Connection) -> set[int]:
    """The alarms that the keeper marked as false the last time they were up."""
    step = tables.transition
    query = select(step.c.alarm_id).where(step.c.id.in_(_beginnings()), step.c.false_ms.is_not(None))
    return set(connection.execute(query).scalars())


def _beginnings() -> Select[int]:
    """The last step of each alarm that brought it up."""
    step = tables.transition
    up = [AlarmState.UNACKNOWLEDGED.value, AlarmState.ACKNOWLEDGED.value]
    begins = step.c.after.in_(up) & step.c.before.not_in(up)
    return select(func.max(step.c.id)).where(begins).group_by(step.c.alarm_id)


def mark_false(connection: Connection, transition_id: int, at_ms: int | None) -> None:
    """Mark the alarm that began with a step as false, or (None) take the mark back."""
    step = update(tables.transition).where(tables.transition.c.id == transition_id)
    connection.execute(step.values(false_ms=at_ms))


def save_condition(connection: Connection, subject: Subject, at_ms: int, body: dict[str, Any]) -> None:
    table = tables.condition
    key = (table.c.subject_kind == subject.kind.value) & (table.c.subject_id == subject.id)
    connection.execute(delete(table).where(key))
    connection.execute(
        insert(table).values(subject_kind=subject.kind.value, subject_id=subject.id, at_ms=at_ms, body=body)
    )


def conditions(connection: Connection, kind: SubjectKind) -> dict[str, dict[str, Any]]:
    """The stored condition of every subject of a kind, by its id."""
    table = tables.condition
    query = select(table.c.subject_id, table.c.body).where(table.c.subject_kind == kind.value)
    return {row.subject_id: row.body for row in connection.execute(query)}


def _alarm(row: Row[Any]) -> Alarm:
    return Alarm(
        id=row.id,
        subject=Subject(SubjectKind(row.subject_kind), row.subject_id),
        rule=row.rule,
        state=AlarmState(row.state),
        holds_since_ms=row.holds_since_ms,
        clear_since_ms=row.clear_since_ms,
        raised_ms=row.raised_ms,
        changed_ms=row.changed_ms,
        shelved_until_ms=row.shelved_until_ms,
        reason=row.reason,
        finding=_finding(row.finding),
    )


def _transition(row: Row[Any], alarm: Alarm) -> Transition:
    return Transition(
        replace(alarm, finding=_finding(row.finding)),
        row.at_ms,
        AlarmState(row.before),
        AlarmState(row.after),
        row.cause,
        row.by,
        row.id,
        row.false_ms,
    )


def _finding(body: dict[str, Any] | None) -> Finding | None:
    if body is None:
        return None
    return Finding(
        **body
        | {
            "verdict": Verdict(body["verdict"]),
            "priority": Priority(body["priority"]),
            "position": Position(body["position"]) if body["position"] else None,
            "evidence": tuple((channel, time_ms, value) for channel, time_ms, value in body["evidence"]),
        }
    )
