"""Who changed what, and who signed in: kept for a year, never the secrets themselves."""

from dataclasses import dataclass

from sqlalchemy import Connection, delete, insert, select

from underlid.store import tables

KEPT_MS = 366 * 86_400_000
MOST = 100_000  # entries; the oldest go first
DETAIL_SIGNS = 2000

table = tables.audit


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """`what` is the method and the address of a change, or words; `detail` what was sent with it."""

    id: int
    at_ms: int
    who: str
    address: str
    what: str
    detail: str = ""


def add(connection: Connection, entry: AuditEntry) -> None:
    """Keep an entry, its id aside, and let go of what is too old or too much."""
    values = {
        "at_ms": entry.at_ms,
        "who": entry.who[:120],
        "address": entry.address[:64],
        "what": entry.what[:300],
        "detail": entry.detail[:DETAIL_SIGNS],
    }
    made = connection.execute(insert(table).values(values).returning(table.c.id)).scalar_one()
    connection.execute(delete(table).where(table.c.at_ms < entry.at_ms - KEPT_MS))
    connection.execute(delete(table).where(table.c.id <= made - MOST))


def entries(connection: Connection, limit: int, before: int | None = None) -> list[AuditEntry]:
    """Newest first; `before` goes on after the id where a page ended."""
    query = select(table).order_by(table.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(table.c.id < before)
    return [AuditEntry(*row) for row in connection.execute(query)]
