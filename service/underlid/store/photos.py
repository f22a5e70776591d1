"""Which photos belong to which log entry; the pictures themselves are files."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select

from underlid.store import tables

table = tables.photo
log_entry = tables.log_entry


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo of an entry; `digest` is that of what was sent. Id 0 until it is stored."""

    id: int
    entry_id: int
    digest: str
    added_ms: int
    width: int
    height: int


def add(connection: Connection, photo: Photo) -> Photo:
    values = {
        "entry_id": photo.entry_id,
        "digest": photo.digest,
        "added_ms": photo.added_ms,
        "width": photo.width,
        "height": photo.height,
    }
    return _photo(connection.execute(insert(table).values(values).returning(table)).one())


def of_entries(connection: Connection, entry_ids: Collection[int]) -> dict[int, list[Photo]]:
    """The photos of some entries, by entry, in the order they were added."""
    found: dict[int, list[Photo]] = {}
    for row in connection.execute(select(table).where(table.c.entry_id.in_(entry_ids)).order_by(table.c.id)):
        found.setdefault(row.entry_id, []).append(_photo(row))
    return found


def by_id(connection: Connection, photo_id: int) -> Photo | None:
    """A photo whose entry holds."""
    query = select(table).join(log_entry, log_entry.c.id == table.c.entry_id)
    query = query.where(table.c.id == photo_id, log_entry.c.deleted_ms.is_(None))
    row = connection.execute(query).one_or_none()
    return _photo(row) if row else None


def remove(connection: Connection, photo_id: int) -> None:
    connection.execute(delete(table).where(table.c.id == photo_id))


def take_forsaken(connection: Connection, before_ms: int) -> list[Photo]:
    """Forget, and give, the photos of entries that were deleted before a time."""
    gone = select(log_entry.c.id).where(log_entry.c.deleted_ms < before_ms)
    query = delete(table).where(table.c.entry_id.in_(gone)).returning(table)
    return [_photo(row) for row in connection.execute(query)]


def _photo(row: Row[Any]) -> Photo:
    return Photo(row.id, row.entry_id, row.digest, row.added_ms, row.width, row.height)
