"""Messages to be sent: written with their cause, kept until their target took them."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, case, delete, func, or_, select, update

from underlid.model import Message, Priority
from underlid.store import tables
from underlid.store.upsert import insert

HOLDS_UP_UNTIL = 5
REFUSED = 3  # so many messages tried in vain are the target's fault, not theirs
FURTHEST_MS = 26 * 3_600_000  # nothing is put off further than to a time of the next day
table = tables.outbox


@dataclass(frozen=True, slots=True)
class Failing:
    """A target that did not take what it was sent: since when, why at the last try, how much waits."""

    since_ms: int
    error: str
    waiting: int


def put(connection: Connection, messages: Iterable[Message]) -> None:
    """Add messages; one whose key and target are there already is left as it is."""
    for message in messages:
        connection.execute(
            insert(connection, table)
            .values(
                key=message.key,
                target=message.target,
                topic=message.topic,
                title=message.title,
                body=message.body,
                created_ms=message.created_ms,
                attempts=0,
                due_ms=message.created_ms,
                error="",
                priority=message.priority.value if message.priority else None,
                report=message.report,
            )
            .on_conflict_do_nothing()
        )


def has(connection: Connection, key: str, target: str) -> bool:
    """Was this message written already, whatever became of it?"""
    query = select(table.c.id).where(table.c.key == key, table.c.target == target)
    return connection.execute(query).first() is not None


def due(connection: Connection, now_ms: int, to: Collection[str] | None = None) -> dict[str, list[Message]]:
    """What is to be sent now, by target (of these, else all) and oldest first.

    A message waits for the ones before it, so that a target hears of a step in its order; one that has failed
    `HOLDS_UP_UNTIL` times no longer holds up the others, and nothing holds up what is urgent.
    """
    waiting = table.c.due_ms.is_not(None)
    targets = select(table.c.target).where(waiting).distinct()
    if to is not None:
        targets = targets.where(table.c.target.in_(to))
    ready: dict[str, list[Message]] = {}
    for target in connection.execute(targets).scalars().all():
        query = select(table).where(waiting, table.c.target == target).order_by(table.c.id).limit(50)
        held_up = False
        for message in map(_message, connection.execute(query)):
            if message.due_ms > now_ms:
                held_up = held_up or message.attempts < HOLDS_UP_UNTIL
            elif not held_up or message.priority is Priority.URGENT:
                ready.setdefault(target, []).append(message)
    return ready


def failing(connection: Connection) -> dict[str, Failing]:
    """The targets with messages that were tried in vain and wait for another try."""
    tried = select(table).where(table.c.due_ms.is_not(None), table.c.attempts > 0).order_by(table.c.id)
    found: dict[str, Failing] = {}
    for row in connection.execute(tried):
        before = found.get(row.target, Failing(row.failing_since_ms or row.created_ms, "", 0))
        since_ms = min(before.since_ms, row.failing_since_ms or row.created_ms)
        found[row.target] = Failing(since_ms, row.error, before.waiting + 1)
    return found


def of_others(connection: Connection, known: Collection[str], *which: ColumnElement[bool]) -> dict[str, int]:
    """How many messages (of which all this is so) wait for each target that is not among the known."""
    others = (table.c.due_ms.is_not(None), table.c.target.not_in(known), *which)
    query = select(table.c.target, func.count().label("waiting")).where(*others).group_by(table.c.target)
    return {row.target: row.waiting for row in connection.execute(query)}


def give_up_others(
    connection: Connection, known: Collection[str], before_ms: int, why: str
) -> dict[str, int]:
    """Send no more what was written before a time for targets that are not among the known; gives how many it was."""
    old = table.c.created_ms < before_ms
    found = of_others(connection, known, old)
    gone = update(table).where(table.c.due_ms.is_not(None), table.c.target.not_in(known), old)
    connection.execute(gone.values(due_ms=None, error=why))
    return found


def clock_went_back(connection: Connection, now_ms: int) -> int:
    """What waits for a time that a clock set back reaches too late is due now; gives how many messages."""
    ahead = or_(table.c.created_ms > now_ms, table.c.due_ms > now_ms + FURTHEST_MS)
    waiting = update(table).where(table.c.due_ms.is_not(None), ahead)
    earlier = case((table.c.created_ms > now_ms, now_ms), else_=table.c.created_ms)
    return connection.execute(waiting.values(due_ms=now_ms, created_ms=earlier)).rowcount


def holds_up(connection: Connection, target: str) -> bool:
    """Does the target fail, so that more for it should wait? One message that it refuses is not enough."""
    tried = select(table.c.attempts).where(
        table.c.due_ms.is_not(None), table.c.target == target, table.c.attempts > 0
    )
    attempts = connection.execute(tried.limit(REFUSED)).scalars().all()
    return len(attempts) == REFUSED or any(times < HOLDS_UP_UNTIL for times in attempts)


def last_said(connection: Connection, target: str) -> list[Message]:
    """The newest message of each topic that a target took."""
    ids = select(func.max(table.c.id)).where(table.c.target == target, table.c.delivered_ms.is_not(None))
    rows = connection.execute(
        select(table).where(table.c.id.in_(ids.group_by(table.c.topic))).order_by(table.c.id)
    )
    return [_message(row) for row in rows]


def prune(connection: Connection, before_ms: int) -> int:
    """Take out what was delivered or given up and written before a time, but for the newest of each topic."""
    newest = select(func.max(table.c.id)).group_by(table.c.target, table.c.topic)
    old = table.c.due_ms.is_(None) & (table.c.created_ms < before_ms)
    return connection.execute(delete(table).where(old, table.c.id.not_in(newest))).rowcount


def put_off(connection: Connection, message_id: int, due_ms: int) -> None:
    connection.execute(update(table).where(table.c.id == message_id).values(due_ms=due_ms))


def oldest_unsent_ms(connection: Connection) -> int | None:
    query = select(func.min(table.c.created_ms)).where(table.c.due_ms.is_not(None))
    return connection.execute(query).scalar()


def delivered(connection: Connection, message_id: int, at_ms: int) -> None:
    done = update(table).where(table.c.id == message_id)
    connection.execute(done.values(delivered_ms=at_ms, due_ms=None, error=""))


def failed(connection: Connection, message_id: int, error: str, due_ms: int | None, at_ms: int) -> None:
    """Note a failure and when to try again; None: given up."""
    again = update(table).where(table.c.id == message_id)
    connection.execute(
        again.values(
            attempts=table.c.attempts + 1,
            error=error[:400],
            due_ms=due_ms,
            failing_since_ms=func.coalesce(table.c.failing_since_ms, at_ms),
        )
    )


def _message(row: Row[Any]) -> Message:
    return Message(
        key=row.key,
        target=row.target,
        title=row.title,
        body=row.body,
        created_ms=row.created_ms,
        id=row.id,
        attempts=row.attempts,
        due_ms=row.due_ms,
        topic=row.topic,
        priority=Priority(row.priority) if row.priority else None,
        report=row.report,
    )
