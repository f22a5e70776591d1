"""The keeper's log."""

from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select, update

from underlid.model import LogEntry, LogKind, Subject, SubjectKind
from underlid.store import tables

table = tables.log_entry
revision = tables.log_revision


def add(connection: Connection, entry: LogEntry) -> LogEntry:
    """Keep an entry; gives it with its id."""
    values = {**_values(entry), "key": entry.key}
    return _entry(connection.execute(insert(table).values(values).returning(table)).one())


def by_key(connection: Connection, key: str) -> LogEntry | None:
    """The entry that was written under a key, a deleted one too."""
    row = connection.execute(select(table).where(table.c.key == key)).one_or_none()
    return _entry(row) if row else None


def by_id(connection: Connection, entry_id: int) -> LogEntry | None:
    """An entry, a deleted one too."""
    row = connection.execute(select(table).where(table.c.id == entry_id)).one_or_none()
    return _entry(row) if row else None


def last_id(connection: Connection) -> int:
    """The number of the entry written last; entries written later have higher ones."""
    return connection.execute(select(func.max(table.c.id))).scalar() or 0


def correct(connection: Connection, entry: LogEntry, now_ms: int) -> LogEntry:
    """Put an entry in place of how it read before, which is kept."""
    before = connection.execute(select(table).where(table.c.id == entry.id)).one()
    body = _values(_entry(before))
    connection.execute(insert(revision).values(entry_id=entry.id, until_ms=now_ms, body=body))
    values = {**_values(entry), "corrected_ms": now_ms}
    return _entry(
        connection.execute(update(table).where(table.c.id == entry.id).values(values).returning(table)).one()
    )


def set_deleted(connection: Connection, entry_id: int, deleted_ms: int | None) -> LogEntry:
    """Delete an entry, or with None take that back: what is deleted stays, and counts no more."""
    query = update(table).where(table.c.id == entry_id).values(deleted_ms=deleted_ms).returning(table)
    return _entry(connection.execute(query).one())


def earlier(connection: Connection, entry: LogEntry) -> list[tuple[int, LogEntry]]:
    """How an entry read before, each with until when, newest first."""
    query = select(revision).where(revision.c.entry_id == entry.id).order_by(revision.c.id.desc())
    found = []
    for row in connection.execute(query):
        body = dict(row.body)
        subject = Subject(SubjectKind(body.pop("subject_kind")), body.pop("subject_id"))
        found.append((row.until_ms, replace(entry, subject=subject, **body)))
    return found


def entries(
    connection: Connection,
    from_ms: int,
    to_ms: int,
    subject: Subject | None = None,
    kind: LogKind | None = None,
    limit: int | None = None,
    before: tuple[int, int] | None = None,
    *,
    deleted: bool = False,
) -> list[LogEntry]:
    """Entries that hold, or deleted ones, from and to a time, newest first; `before` (time, id) goes on where a
    page ended."""
    query = select(table).where(table.c.at_ms.between(from_ms, to_ms))
    query = query.where(table.c.deleted_ms.is_not(None) if deleted else table.c.deleted_ms.is_(None))
    if subject is not None:
        query = query.where(table.c.subject_kind == subject.kind.value, table.c.subject_id == subject.id)
    if kind is not None:
        query = query.where(table.c.kind == kind)
    if before is not None:
        at_ms, entry_id = before
        query = query.where((table.c.at_ms < at_ms) | ((table.c.at_ms == at_ms) & (table.c.id < entry_id)))
    query = query.order_by(table.c.at_ms.desc(), table.c.id.desc()).limit(limit)
    return [_entry(row) for row in connection.execute(query)]


def _values(entry: LogEntry) -> dict[str, Any]:
    """What an entry says, as columns."""
    return {
        "at_ms": entry.at_ms,
        "subject_kind": entry.subject.kind.value,
        "subject_id": entry.subject.id,
        "kind": entry.kind,
        "amount_kg": entry.amount_kg,
        "amount_l": entry.amount_l,
        "what": entry.what,
        "corner": entry.corner,
        "note": entry.note,
    }


def _entry(row: Row[Any]) -> LogEntry:
    return LogEntry(
        id=row.id,
        at_ms=row.at_ms,
        subject=Subject(SubjectKind(row.subject_kind), row.subject_id),
        kind=row.kind,
        amount_kg=row.amount_kg,
        amount_l=row.amount_l,
        what=row.what,
        corner=row.corner,
        note=row.note,
        key=row.key,
        corrected_ms=row.corrected_ms,
        deleted_ms=row.deleted_ms,
    )
