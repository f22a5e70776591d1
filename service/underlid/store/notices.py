"""Notices: steps of alarms that targets are to hear of, written with the step, settled with the message."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import fields
from typing import Any

from sqlalchemy import Connection, Row, case, delete, exists, func, or_, select, update

from underlid.model import Notice, Priority, Subject, SubjectKind
from underlid.store import tables
from underlid.store.outbox import FURTHEST_MS
from underlid.store.upsert import insert

BATCH = 500  # alarms looked up in one query
table = tables.notice


def put(connection: Connection, notices: Iterable[Notice]) -> None:
    """Add notices; one whose key and target are there already is left as it is."""
    for notice in notices:
        same = [f.name for f in fields(notice) if f.name not in ("id", "subject", "priority", "headline")]
        values = {name: getattr(notice, name) for name in same}
        connection.execute(
            insert(connection, table)
            .values(
                **values,
                subject_kind=notice.subject.kind.value,
                subject_id=notice.subject.id,
                priority=notice.priority.value,
                headline=notice.headline[:400],
            )
            .on_conflict_do_nothing()
        )


def any_due(connection: Connection, now_ms: int, targets: Collection[str]) -> bool:
    is_due = (table.c.due_ms <= now_ms) & table.c.target.in_(targets)
    return bool(connection.execute(select(exists().where(is_due))).scalar())


def pending(connection: Connection, target: str) -> list[Notice]:
    """What is not settled yet, due or not, oldest first."""
    query = select(table).where(table.c.due_ms.is_not(None), table.c.target == target).order_by(table.c.id)
    return [_notice(row) for row in connection.execute(query)]


def latest(
    connection: Connection, target: str, alarm_ids: Sequence[int], told_only: bool
) -> dict[int, Notice]:
    """The latest notice of each alarm that there is for a target, or that was told to it."""
    found: dict[int, Notice] = {}
    for start in range(0, len(alarm_ids), BATCH):
        some = alarm_ids[start : start + BATCH]
        ids = select(func.max(table.c.id)).where(table.c.target == target, table.c.alarm_id.in_(some))
        if told_only:
            ids = ids.where(table.c.told_ms.is_not(None))
        query = select(table).where(table.c.id.in_(ids.group_by(table.c.alarm_id)))
        found |= {row.alarm_id: _notice(row) for row in connection.execute(query)}
    return found


def told(connection: Connection, notices: Iterable[Notice], at_ms: int, message_key: str) -> None:
    """Settle notices with the message that tells them."""
    for notice in notices:
        settled = update(table).where(table.c.id == notice.id)
        connection.execute(settled.values(due_ms=None, told_ms=at_ms, outcome=message_key))


def dropped(connection: Connection, notices: Iterable[Notice], why: str) -> None:
    """Settle notices that are not told, with the reason."""
    for notice in notices:
        connection.execute(update(table).where(table.c.id == notice.id).values(due_ms=None, outcome=why))


def drop_others(connection: Connection, targets: Collection[str], before_ms: int, why: str) -> None:
    """Settle what happened before a time and waits for targets that are not there any more."""
    old = table.c.due_ms.is_not(None) & (table.c.at_ms < before_ms)
    gone = update(table).where(old, table.c.target.not_in(targets))
    connection.execute(gone.values(due_ms=None, outcome=why))


def put_off(connection: Connection, notices: Iterable[Notice], due_ms: int, held: bool) -> None:
    for notice in notices:
        later = update(table).where(table.c.id == notice.id)
        connection.execute(later.values(due_ms=due_ms, held=held or notice.held))


def clock_went_back(connection: Connection, now_ms: int) -> int:
    """What waits for a time that a clock set back reaches too late is due now, and what was told was told by now;
    gives how many notices wait no longer."""
    told = update(table).where(table.c.told_ms > now_ms)
    connection.execute(told.values(told_ms=now_ms))
    ahead = or_(table.c.at_ms > now_ms, table.c.due_ms > now_ms + FURTHEST_MS)
    waiting = update(table).where(table.c.due_ms.is_not(None), ahead)
    earlier = case((table.c.at_ms > now_ms, now_ms), else_=table.c.at_ms)
    return connection.execute(waiting.values(due_ms=now_ms, at_ms=earlier)).rowcount


def prune(connection: Connection, before_ms: int) -> int:
    """Take out what was settled and happened before a time, but for what tells how each alarm stands with a target."""
    whose = (table.c.target, table.c.alarm_id)
    latest = select(func.max(table.c.id)).group_by(*whose)
    told = select(func.max(table.c.id)).where(table.c.told_ms.is_not(None)).group_by(*whose)
    old = table.c.due_ms.is_(None) & (table.c.at_ms < before_ms)
    return connection.execute(
        delete(table).where(old, table.c.id.not_in(latest), table.c.id.not_in(told))
    ).rowcount


def _notice(row: Row[Any]) -> Notice:
    values = dict(row._mapping)
    subject = Subject(SubjectKind(values.pop("subject_kind")), values.pop("subject_id"))
    return Notice(**values | {"subject": subject, "priority": Priority(row.priority)})
