"""When messages without a time of their own first came, so that a repeat is dated as the first was."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, delete, func, select

from underlid.store import tables
from underlid.store.upsert import insert

KEPT = 20_000  # more than a broker keeps in flight
table = tables.arrival


@dataclass(frozen=True, slots=True)
class Arrival:
    digest: bytes  # of the message and its packet id
    received_ms: int


def put(connection: Connection, arrivals: Sequence[Arrival]) -> None:
    """Note arrivals; of an equal one, only the last counts. The oldest give way."""
    if not arrivals:
        return
    new = insert(connection, table)
    connection.execute(
        new.on_conflict_do_update(index_elements=["digest"], set_={"received_ms": new.excluded.received_ms}),
        [{"digest": arrival.digest, "received_ms": arrival.received_ms} for arrival in arrivals],
    )
    newest = select(func.max(table.c.id)).scalar_subquery()
    connection.execute(delete(table).where(table.c.id <= newest - KEPT))


def first_ms(connection: Connection, digest: bytes) -> int | None:
    return connection.execute(select(table.c.received_ms).where(table.c.digest == digest)).scalar()
