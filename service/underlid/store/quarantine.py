"""Messages that could not be used, kept with the reason; a repeat is counted, not kept again."""

import hashlib
from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, Row, delete, func, select

from underlid.model import Reject
from underlid.store import tables
from underlid.store.upsert import insert

KEPT_BYTES = 16_384  # of each payload
KEPT_REJECTS = 5_000  # the oldest give way
table = tables.quarantine


def put(connection: Connection, rejects: Iterable[Reject]) -> None:
    for reject in rejects:
        new = insert(connection, table).values(
            topic=reject.topic[:300],
            digest=hashlib.sha256(reject.payload).hexdigest(),
            reason=reject.reason[:400],
            payload=reject.payload[:KEPT_BYTES],
            size=len(reject.payload),
            times=1,
            first_ms=reject.received_ms,
            received_ms=reject.received_ms,
        )
        again = {"times": table.c.times + 1, "received_ms": reject.received_ms}
        connection.execute(
            new.on_conflict_do_update(index_elements=["topic", "digest", "reason"], set_=again)
        )
    oldest_kept = select(table.c.id).order_by(table.c.id.desc()).offset(KEPT_REJECTS).limit(1)
    connection.execute(delete(table).where(table.c.id <= oldest_kept.scalar_subquery()))


def rejects(connection: Connection, limit: int, before_id: int | None = None) -> list[Reject]:
    """Newest first; `before_id` goes on where a page ended."""
    query = select(table).order_by(table.c.id.desc()).limit(limit)
    if before_id is not None:
        query = query.where(table.c.id < before_id)
    return [_reject(row) for row in connection.execute(query)]


def count(connection: Connection) -> int:
    return connection.execute(select(func.count()).select_from(table)).scalar_one()


def _reject(row: Row[Any]) -> Reject:
    return Reject(
        topic=row.topic,
        payload=row.payload,
        reason=row.reason,
        received_ms=row.received_ms,
        id=row.id,
        size=row.size,
        times=row.times,
    )
