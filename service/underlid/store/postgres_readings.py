"""Readings in PostgreSQL: rows by channel and time, in native partitions of thirty days.

A batch is copied into a staging table and put into its place by one statement that leaves repeats alone. The newest
reading of each channel stands in a table of its own, so that asking for it costs the same however much there is.
"""

import queue
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

import numpy as np
import psycopg
from psycopg import Connection, sql

from underlid.model import Buckets, Reading, Series
from underlid.store.blocks import DAY_MS, HOUR_MS, bucket_ms
from underlid.store.readings import Retention, StoreError, refuse_unless_finite
from underlid.store.url import first_line, shown

PART_MS = 30 * DAY_MS
MAKING = 8_480_001  # the advisory lock of whoever makes or drops tables
SCHEMA = """
CREATE TABLE IF NOT EXISTS reading (
    channel integer NOT NULL,
    time_ms bigint NOT NULL,
    value double precision NOT NULL,
    received_ms bigint NOT NULL,
    PRIMARY KEY (channel, time_ms)
) PARTITION BY RANGE (time_ms);
CREATE TABLE IF NOT EXISTS reading_latest (
    channel integer PRIMARY KEY,
    time_ms bigint NOT NULL,
    value double precision NOT NULL,
    received_ms bigint NOT NULL
) WITH (fillfactor = 50);
CREATE TABLE IF NOT EXISTS reading_hourly (
    channel integer NOT NULL,
    time_ms bigint NOT NULL,
    low double precision NOT NULL,
    mean double precision NOT NULL,
    high double precision NOT NULL,
    count bigint NOT NULL,
    PRIMARY KEY (channel, time_ms)
);
CREATE TABLE IF NOT EXISTS reading_kept (from_ms bigint NOT NULL);
CREATE OR REPLACE VIEW reading_cell AS
    SELECT channel, time_ms, value AS low, value AS mean, value AS high, 1::bigint AS count, received_ms FROM reading
    UNION ALL SELECT channel, time_ms, low, mean, high, count, time_ms FROM reading_hourly;
"""
STAGING = """
CREATE TEMPORARY TABLE IF NOT EXISTS staging (
    channel integer, time_ms bigint, value double precision, received_ms bigint
) ON COMMIT DELETE ROWS
"""
# In the order of the key, so that two who add the same readings at once wait for each other but never in a ring.
ADD = """
WITH added AS (
    INSERT INTO reading SELECT * FROM staging
    WHERE time_ms >= coalesce((SELECT max(from_ms) FROM reading_kept), -9223372036854775808)
    ORDER BY channel, time_ms
    ON CONFLICT DO NOTHING RETURNING channel, time_ms, value, received_ms
), newest AS (
    INSERT INTO reading_latest AS latest
    SELECT DISTINCT ON (channel) * FROM added ORDER BY channel, time_ms DESC
    ON CONFLICT (channel) DO UPDATE
    SET time_ms = excluded.time_ms, value = excluded.value, received_ms = excluded.received_ms
    WHERE excluded.time_ms > latest.time_ms
)
SELECT count(*) FROM added
"""
NEWEST = """
INSERT INTO reading_latest
SELECT channel, time_ms, mean, received_ms FROM reading_cell WHERE channel = %s ORDER BY time_ms DESC LIMIT 1
"""
BUCKETS = """
SELECT %(from)s::bigint + (time_ms - %(from)s::bigint) / %(width)s::bigint * %(width)s::bigint AS start_ms,
    min(low), sum(mean * count) / sum(count)::double precision, max(high), sum(count)::bigint
FROM reading_cell WHERE channel = %(channel)s AND time_ms BETWEEN %(from)s AND %(to)s
GROUP BY start_ms ORDER BY start_ms
"""
# An hour that has a row already is one whose readings were computed anew since.
HOURLY = """
INSERT INTO reading_hourly AS hour
SELECT channel, min(time_ms), min(value), avg(value), max(value), count(*) FROM {part} GROUP BY channel, time_ms / %s
ON CONFLICT (channel, time_ms) DO UPDATE SET low = least(hour.low, excluded.low),
    mean = (hour.mean * hour.count + excluded.mean * excluded.count) / (hour.count + excluded.count),
    high = greatest(hour.high, excluded.high), count = hour.count + excluded.count
"""


class PostgresReadings:
    def __init__(self, url: str, retention: Retention | None = None) -> None:
        """Open the database and make its tables. Raises StoreError with one line when it can't be."""
        self._url = url
        self._retention = retention or Retention()
        self._idle: queue.LifoQueue[Connection] = queue.LifoQueue()
        self._parts: set[int] = set()
        with self._transaction() as connection:
            connection.execute("SELECT pg_advisory_xact_lock(%s)", (MAKING,))
            connection.execute(SCHEMA)

    @contextmanager
    def _transaction(self) -> Iterator[Connection]:
        """A connection of its own for a transaction, given back afterwards. Raises StoreError."""
        try:
            connection = self._idle.get_nowait()
        except queue.Empty:
            connection = None
        try:
            connection = connection or self._connect()
            with connection.transaction():
                yield connection
        except psycopg.Error as error:
            if isinstance(error, psycopg.OperationalError):
                self._let_idle_go()  # the server went away, and with it what they were connected to
            self._parts.clear()
            raise StoreError(f"readings {shown(self._url)}: {first_line(error)}") from error
        finally:
            if connection is not None and not connection.closed:
                self._idle.put(connection)

    def _connect(self) -> Connection:
        connection = psycopg.connect(
            self._url,
            autocommit=True,
            connect_timeout=10,
            keepalives_idle=10,
            tcp_user_timeout=20_000,
            application_name="underlid",
        )
        connection.execute(STAGING)
        return connection

    def _let_idle_go(self) -> None:
        with suppress(queue.Empty):
            while True:
                self._idle.get_nowait().close()

    def add(self, readings: Sequence[Reading]) -> int:
        refuse_unless_finite(readings)
        if not readings:
            return 0
        self._make_parts(readings)
        with self._transaction() as connection:
            _stage(connection, readings)
            row = connection.execute(ADD).fetchone()
            assert row is not None
            return int(row[0])

    def rewrite(self, channel_id: int, from_ms: int, to_ms: int, readings: Sequence[Reading]) -> None:
        refuse_unless_finite(readings)
        self._make_parts(readings)
        span = channel_id, from_ms, to_ms
        with self._transaction() as connection:
            connection.execute("DELETE FROM reading WHERE channel = %s AND time_ms BETWEEN %s AND %s", span)
            connection.execute(
                "DELETE FROM reading_hourly WHERE channel = %s AND time_ms BETWEEN %s AND %s", span
            )
            _stage(connection, readings)
            connection.execute("INSERT INTO reading SELECT * FROM staging ORDER BY channel, time_ms")
            connection.execute("DELETE FROM reading_latest WHERE channel = %s", (channel_id,))
            connection.execute(NEWEST, (channel_id,))

    def window(self, channel_id: int, from_ms: int, to_ms: int) -> Series:
        with self._transaction() as connection:
            rows = connection.execute(
                "SELECT time_ms, mean FROM reading_cell WHERE channel = %s AND time_ms BETWEEN %s AND %s"
                " ORDER BY time_ms",
                (channel_id, from_ms, to_ms),
                binary=True,
            ).fetchall()
        times, values = zip(*rows, strict=True) if rows else ((), ())
        return Series(np.array(times, np.int64), np.array(values, np.float64))

    def latest(self, channel_ids: Sequence[int]) -> dict[int, Reading]:
        with self._transaction() as connection:
            rows = connection.execute(
                "SELECT channel, time_ms, value, received_ms FROM reading_latest WHERE channel = ANY(%s)",
                (list(channel_ids),),
                binary=True,
            )
            return {row[0]: Reading(*row) for row in rows}

    def first_ms(self, channel_ids: Sequence[int]) -> int | None:
        oldest = "SELECT time_ms FROM reading_cell WHERE channel = %s ORDER BY time_ms LIMIT 1"
        with self._transaction() as connection:
            rows = [connection.execute(oldest, (channel_id,)).fetchone() for channel_id in channel_ids]
        return min((int(row[0]) for row in rows if row is not None), default=None)

    def buckets(self, channel_id: int, from_ms: int, to_ms: int, points: int) -> Buckets:
        asked = {
            "channel": channel_id,
            "from": from_ms,
            "to": to_ms,
            "width": bucket_ms(from_ms, to_ms, points),
        }
        with self._transaction() as connection:
            rows = connection.execute(BUCKETS, asked, binary=True).fetchall()
        start_ms, low, mean, high, count = zip(*rows, strict=True) if rows else ((), (), (), (), ())
        return Buckets(
            time_ms=np.array(start_ms, np.int64),
            low=np.array(low, np.float64),
            mean=np.clip(np.array(mean, np.float64), low, high) if rows else np.empty(0),
            high=np.array(high, np.float64),
            count=np.array(count, np.int64),
        )

    def upkeep(self, now_ms: int) -> bool:
        """Let the oldest partition go once all of it is old enough, its hours kept where they are to be."""
        today = now_ms // DAY_MS
        raw_days, hourly_days = self._retention.raw_days, self._retention.hourly_days
        keeps_hours = hourly_days is None or (raw_days is not None and hourly_days > raw_days)
        keep = raw_days if raw_days is not None else hourly_days
        with self._transaction() as connection:
            connection.execute("SELECT pg_advisory_xact_lock(%s)", (MAKING,))
            if hourly_days is not None:
                before_ms = (today - hourly_days) * DAY_MS
                connection.execute("DELETE FROM reading_hourly WHERE time_ms < %s", (before_ms,))
            old = [
                part
                for part in _parts(connection)
                if keep is not None and (part + 1) * PART_MS <= (today - keep) * DAY_MS
            ]
            if not old:
                return False
            part = sql.Identifier(_name(old[0]))
            if keeps_hours:
                connection.execute(sql.SQL(HOURLY).format(part=part), (HOUR_MS,))
            connection.execute(sql.SQL("DROP TABLE {}").format(part))
            connection.execute("INSERT INTO reading_kept VALUES (%s)", ((old[0] + 1) * PART_MS,))
        self._parts.clear()
        return len(old) > 1

    def close(self) -> None:
        self._let_idle_go()

    def _make_parts(self, readings: Sequence[Reading]) -> None:
        """Make the partitions that readings fall into, where they are not there yet."""
        new = {reading[1] // PART_MS for reading in readings} - self._parts
        if not new:
            return
        with self._transaction() as connection:
            connection.execute("SELECT pg_advisory_xact_lock(%s)", (MAKING,))
            there = _parts(connection)
            for part in new - set(there):
                make = "CREATE TABLE {} PARTITION OF reading FOR VALUES FROM ({}) TO ({})"
                span = sql.Literal(part * PART_MS), sql.Literal((part + 1) * PART_MS)
                connection.execute(sql.SQL(make).format(sql.Identifier(_name(part)), *span))
        self._parts |= new


def _stage(connection: Connection, readings: Sequence[Reading]) -> None:
    first: dict[tuple[int, int], Reading] = {}
    for reading in readings:
        first.setdefault(reading[:2], reading)
    lines = "".join(f"{c}\t{t}\t{v!r}\t{r}\n" for c, t, v, r in first.values())
    with connection.cursor() as cursor, cursor.copy("COPY staging FROM STDIN") as copy:
        copy.write(lines)


def _name(part: int) -> str:
    return f"reading_{part:+05d}".replace("+", "p").replace("-", "m")


def _parts(connection: Connection) -> list[int]:
    """The partitions there are, oldest first."""
    rows = connection.execute(
        "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'reading'::regclass"
    )
    names = [row[0].rpartition("_")[2] for row in rows]
    return sorted(int(name.replace("p", "").replace("m", "-")) for name in names)
