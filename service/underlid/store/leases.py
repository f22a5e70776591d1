"""Leases: pieces of work of one kind, shared among workers, each held by one at a time and for a short while.

All by the clock of the database. A worker that dies stops prolonging its leases, and the others claim them; one that
is merely slow finds out in the transaction in which it would write (`held`).
"""

import asyncio
import zlib
from collections.abc import Callable, Collection
from dataclasses import dataclass
from uuid import uuid4

import structlog
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Select,
    delete,
    func,
    insert,
    literal_column,
    select,
    update,
)

from underlid.model import Subject
from underlid.store import tables
from underlid.store.ledger import Ledger
from underlid.store.readings import StoreError
from underlid.threads import to_the_end

log = structlog.get_logger("underlid.store")

LAST_MS = 4000
BEAT_S = 1.0
SHARDS = 64  # of the subjects; as many workers at most share the rules
NOW: ColumnElement[int] = literal_column("(extract(epoch from clock_timestamp()) * 1000)::bigint", BigInteger)
lease, worker = tables.lease, tables.worker


@dataclass(frozen=True, slots=True)
class Share:
    """The pieces a worker holds, and those among them that are more than its share."""

    held: frozenset[int]
    surplus: frozenset[int] = frozenset()


class Leases:
    """One worker's part in a kind of work of so many pieces. Every method raises StoreError."""

    def __init__(self, ledger: Ledger, kind: str, pieces: int) -> None:
        self._ledger = ledger
        self._kind = kind
        self._pieces = pieces
        self._holder = uuid4().hex
        self._all = lease.c.kind == kind
        self._mine = self._all & (lease.c.holder == self._holder)

    def beat(self) -> Share:
        """Say that this worker is there, prolong what it holds, and claim what is free up to its share."""
        with self._ledger.beside() as connection:
            rank, workers = self._present(connection)
            fair = self._pieces // workers + (rank < self._pieces % workers)
            still = select(lease.c.piece).where(self._mine, lease.c.until_ms > NOW)
            self._until(connection, still)
            held = sorted(connection.execute(still).scalars())
            if len(held) < fair:
                free = select(lease.c.piece).where(self._all, lease.c.until_ms <= NOW)
                self._until(connection, free.order_by(func.random()).limit(fair - len(held)))
                held = sorted(connection.execute(still).scalars())
        return Share(frozenset(held), frozenset(held[fair:]))

    def _present(self, connection: Connection) -> tuple[int, int]:
        """This worker's number among those that are there, and how many they are."""
        here = (worker.c.kind == self._kind) & (worker.c.holder == self._holder)
        if connection.execute(update(worker).where(here).values(until_ms=NOW + LAST_MS)).rowcount == 0:
            values = {"kind": self._kind, "holder": self._holder, "until_ms": NOW + LAST_MS}
            connection.execute(insert(worker).values(values))
            self._make(connection)
        connection.execute(delete(worker).where(worker.c.until_ms < NOW - 20 * LAST_MS))
        present = select(worker.c.holder).where(worker.c.kind == self._kind, worker.c.until_ms > NOW)
        holders = list(connection.execute(present.order_by(worker.c.holder)).scalars())
        return holders.index(self._holder), len(holders)

    def _make(self, connection: Connection) -> None:
        """Make the leases that are not there yet, free."""
        from sqlalchemy.dialects.postgresql import insert as insert_new

        rows = [{"kind": self._kind, "piece": n, "holder": "", "until_ms": 0} for n in range(self._pieces)]
        connection.execute(insert_new(lease).values(rows).on_conflict_do_nothing())

    def _until(self, connection: Connection, pieces: Select[int]) -> None:
        # One that is locked is being claimed by somebody else, or written under by this very worker.
        some = pieces.with_for_update(skip_locked=True).cte("some")
        these = self._all & lease.c.piece.in_(select(some.c.piece))
        connection.execute(update(lease).where(these).values(holder=self._holder, until_ms=NOW + LAST_MS))

    def give_back(self, pieces: Collection[int]) -> None:
        with self._ledger.beside() as connection:
            these = self._mine & lease.c.piece.in_(pieces)
            connection.execute(update(lease).where(these).values(holder="", until_ms=0))

    def leave(self) -> None:
        """Give everything back at once: the others need not wait."""
        with self._ledger.beside() as connection:
            here = (worker.c.kind == self._kind) & (worker.c.holder == self._holder)
            connection.execute(delete(worker).where(here))
            connection.execute(update(lease).where(self._mine).values(holder="", until_ms=0))

    def held(self, connection: Connection) -> frozenset[int]:
        """What this worker still holds, and will until the transaction of the connection ends."""
        query = select(lease.c.piece).where(self._mine, lease.c.until_ms > NOW).with_for_update()
        return frozenset(connection.execute(query).scalars())


class Shards:
    """The subjects that this worker judges: those of the shards it holds."""

    def __init__(self, ledger: Ledger) -> None:
        self._leases = Leases(ledger, "rules", SHARDS)
        self._held: frozenset[int] = frozenset()

    @property
    def state(self) -> str:
        return f"{len(self._held)} of {SHARDS} shares of the subjects"

    def is_mine(self, subject: Subject) -> bool:
        return _shard(subject) in self._held

    def still_mine(self, connection: Connection) -> Callable[[Subject], bool]:
        """Of which subjects this worker may write in the transaction of a connection."""
        held = self._leases.held(connection)
        return lambda subject: _shard(subject) in held

    async def run(self, gained: Callable[[], None]) -> None:
        """Keep a fair share until cancelled; `gained` is called when there are more."""
        try:
            while True:
                try:
                    share = await to_the_end(self._leases.beat)
                    if share.surplus:
                        await to_the_end(self._leases.give_back, share.surplus)
                    mine = share.held - share.surplus
                except StoreError as error:
                    log.error("leases not prolonged", error=str(error))
                    mine = frozenset()
                more, self._held = mine - self._held, mine
                if more:
                    gained()
                await asyncio.sleep(BEAT_S)
        finally:
            self._held = frozenset()
            await to_the_end(_quietly, self._leases.leave)


def _quietly(leave: Callable[[], None]) -> None:
    try:
        leave()
    except StoreError as error:
        log.warning("leases run out by themselves", error=str(error))


def _shard(subject: Subject) -> int:
    return zlib.crc32(str(subject).encode()) % SHARDS
