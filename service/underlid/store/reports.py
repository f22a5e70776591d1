"""Kept reports: what each said, when it was made, and what it was first made from."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select

from underlid.store import tables

table = tables.report


@dataclass(frozen=True, slots=True)
class Kept:
    """A report as it was kept; `basis` and `body` are plain JSON types."""

    kind: str
    name: str
    made_ms: int
    basis: dict[str, Any]
    body: dict[str, Any]


def keep(connection: Connection, kept: Kept) -> None:
    """Keep a report, in the place of one of the same kind and name."""
    same = (table.c.kind == kept.kind) & (table.c.name == kept.name)
    connection.execute(delete(table).where(same))
    connection.execute(
        insert(table).values(
            kind=kept.kind, name=kept.name, made_ms=kept.made_ms, basis=kept.basis, body=kept.body
        )
    )


def kept(connection: Connection, kind: str, name: str) -> Kept | None:
    row = connection.execute(select(table).where(table.c.kind == kind, table.c.name == name)).first()
    return _kept(row) if row else None


def made(connection: Connection, kind: str) -> dict[str, int]:
    """The names of the kept reports of a kind, each with when it was made."""
    query = select(table.c.name, table.c.made_ms).where(table.c.kind == kind).order_by(table.c.name)
    return {row.name: row.made_ms for row in connection.execute(query)}


def _kept(row: Row[Any]) -> Kept:
    return Kept(row.kind, row.name, row.made_ms, row.basis, row.body)
