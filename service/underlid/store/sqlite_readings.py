"""Readings in one SQLite file: WAL, `synchronous=FULL`, one writer, short reads.

Recent readings are rows; the days before are sealed, a block for each channel and day (`sealing.py`).
"""

import contextlib
import json
import queue
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from underlid.model import Buckets, Reading, Series
from underlid.store import sealing
from underlid.store.blocks import DAY_MS, Cells, bucket_ms, bucketed, join, raw
from underlid.store.readings import Retention, StoreError, refuse_unless_finite

ROWS_FOR_DAYS = 2  # whole days before today that stay rows, where most late readings fall
BLOCKS_A_TURN = 16  # a turn of upkeep holds up the intake for some 0.03 s
FREE_SHARE, FREE_PAGES = 8, 4096  # more free than an eighth of the file, and than 16 MB, is given back

NEWEST_ROWS = """
SELECT asked.value, time_ms, reading.value, received_ms FROM json_each(?) AS asked JOIN reading
ON channel = asked.value AND time_ms = (SELECT max(time_ms) FROM reading WHERE channel = asked.value)
"""
NEWEST_SEALED = """
SELECT asked.value, last_ms, last, last_received_ms FROM json_each(?) AS asked JOIN block
ON channel = asked.value AND day = (SELECT max(day) FROM block WHERE channel = asked.value)
"""
FIRST = """
SELECT (SELECT min(time_ms) FROM reading WHERE reading.channel = asked.value),
    (SELECT first_ms FROM block WHERE block.channel = asked.value ORDER BY day LIMIT 1)
FROM json_each(?) AS asked
"""


class SqliteReadings:
    def __init__(self, file: Path, retention: Retention | None = None) -> None:
        """Open or make the file. Raises StoreError with one line when it can't be."""
        self._file = file
        self._retention = retention or Retention()
        self._write_lock = threading.Lock()
        self._idle: queue.LifoQueue[sqlite3.Connection] = queue.LifoQueue()
        try:
            self._writer = self._connect()
            self._writer.executescript(sealing.SCHEMA)
            self._sealed_to_ms = sealing.sealed_to_ms(self._writer)
        except sqlite3.Error as error:
            raise StoreError(f"readings file {file}: {error}; give a folder that can be written") from error

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self._file, timeout=10, check_same_thread=False)
        connection.execute("PRAGMA auto_vacuum=INCREMENTAL")  # of a new file; one that is there keeps its own
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")  # else an acknowledged reading dies with the power
        connection.execute("PRAGMA journal_size_limit=67108864")
        return connection

    @contextmanager
    def _reader(self) -> Iterator[sqlite3.Connection]:
        """A connection that sees one moment, for short reads, given back afterwards: threads come and go."""
        try:
            connection = self._idle.get_nowait()
        except queue.Empty:
            connection = None
        try:
            connection = connection or self._connect()
            connection.execute("BEGIN")
            yield connection
        except sqlite3.Error as error:
            raise StoreError(f"readings file {self._file}: {error}") from error
        finally:
            if connection is not None:
                connection.rollback()
                self._idle.put(connection)

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """The writer, whose changes are kept together or not at all. Raises StoreError."""
        with self._write_lock:
            try:
                with self._writer:
                    yield self._writer
            except sqlite3.Error as error:
                raise StoreError(f"readings file {self._file}: {error}") from error

    def add(self, readings: Sequence[Reading]) -> int:
        refuse_unless_finite(readings)
        with self._writing() as writer:
            before = writer.total_changes
            if self._sealed_to_ms is not None:
                late = [reading for reading in readings if reading[1] < self._sealed_to_ms]
                if late:
                    recent = [reading for reading in readings if reading[1] >= self._sealed_to_ms]
                    readings = sealing.not_sealed(writer, late) + recent
            writer.executemany("INSERT INTO reading VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING", readings)
            return writer.total_changes - before

    def rewrite(self, channel_id: int, from_ms: int, to_ms: int, readings: Sequence[Reading]) -> None:
        refuse_unless_finite(readings)
        with self._writing() as writer:
            writer.execute(
                "DELETE FROM reading WHERE channel = ? AND time_ms BETWEEN ? AND ?",
                (channel_id, from_ms, to_ms),
            )
            sealing.cut_out(writer, channel_id, from_ms, to_ms)
            writer.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", readings)

    def window(self, channel_id: int, from_ms: int, to_ms: int) -> Series:
        with self._reader() as reader:
            sealed = list(sealing.blocks(reader, channel_id, from_ms, to_ms))
            rows = reader.execute(
                "SELECT time_ms, value FROM reading WHERE channel = ? AND time_ms BETWEEN ? AND ?"
                " ORDER BY time_ms",
                (channel_id, from_ms, to_ms),
            ).fetchall()
        times, values = zip(*rows, strict=True) if rows else ((), ())
        whole = join([*sealed, raw(np.array(times, np.int64), np.array(values, np.float64))])
        return Series(whole.time_ms, whole.mean)

    def latest(self, channel_ids: Sequence[int]) -> dict[int, Reading]:
        with self._reader() as reader:
            sealed_to_ms = sealing.sealed_to_ms(reader)
            rows = reader.execute(NEWEST_ROWS, (json.dumps(list(channel_ids)),))
            found = {row[0]: Reading(*row) for row in rows}
            if sealed_to_ms is not None:
                recent = {channel for channel, reading in found.items() if reading[1] >= sealed_to_ms}
                others = [channel for channel in channel_ids if channel not in recent]
                for row in reader.execute(NEWEST_SEALED, (json.dumps(others),)):
                    if row[0] not in found or row[1] > found[row[0]][1]:
                        found[row[0]] = Reading(*row)
        return found

    def first_ms(self, channel_ids: Sequence[int]) -> int | None:
        with self._reader() as reader:
            rows = reader.execute(FIRST, (json.dumps(list(channel_ids)),)).fetchall()
        return min((time_ms for row in rows for time_ms in row if time_ms is not None), default=None)

    def buckets(self, channel_id: int, from_ms: int, to_ms: int, points: int) -> Buckets:
        width_ms = bucket_ms(from_ms, to_ms, points)
        with self._reader() as reader:
            sealed = list(sealing.days_as_cells(reader, channel_id, from_ms, to_ms, width_ms))
            rows = reader.execute(
                "SELECT ?2 + (time_ms - ?2) / ?4 * ?4 AS start_ms, min(value), avg(value), max(value), count(*)"
                " FROM reading WHERE channel = ?1 AND time_ms BETWEEN ?2 AND ?3"
                " GROUP BY start_ms ORDER BY start_ms",
                (channel_id, from_ms, to_ms, width_ms),
            ).fetchall()
        if rows:
            start_ms, low, mean, high, count = zip(*rows, strict=True)
            sealed.append(
                Cells(
                    np.array(start_ms, np.int64),
                    np.array(low, np.float64),
                    np.array(mean, np.float64),
                    np.array(high, np.float64),
                    np.array(count, np.int64),
                )
            )
        return bucketed(sealed, from_ms, to_ms, points)

    def upkeep(self, now_ms: int) -> bool:
        """Seal, thin and let go what is old enough; gives whether there is more to do at once."""
        today = now_ms // DAY_MS
        with self._reader() as reader:
            due = sealing.due(reader, today - ROWS_FOR_DAYS, BLOCKS_A_TURN)
        done = len(due)
        if due:
            with self._writing() as writer:
                for channel, day in due:
                    sealing.seal(writer, channel, day)
                self._sealed_to_ms = sealing.sealed_to_ms(writer)
        raw_days, hourly_days = self._retention.raw_days, self._retention.hourly_days
        if raw_days is not None:
            with self._writing() as writer:
                if hourly_days is None or hourly_days > raw_days:
                    done = max(
                        done, sealing.thin(writer, today - max(raw_days, ROWS_FOR_DAYS), BLOCKS_A_TURN)
                    )
        if hourly_days is not None:
            with self._writing() as writer:
                done = max(done, sealing.drop(writer, today - max(hourly_days, ROWS_FOR_DAYS), BLOCKS_A_TURN))
        return done >= BLOCKS_A_TURN or self._give_back_space()

    def _give_back_space(self) -> bool:
        """Hand some of the file's unused pages back to the disk where there are many; are there more?"""
        with self._writing() as writer:
            (free,) = writer.execute("PRAGMA freelist_count").fetchone()
            (pages,) = writer.execute("PRAGMA page_count").fetchone()
            (mode,) = writer.execute("PRAGMA auto_vacuum").fetchone()
            if mode != 2 or free <= max(FREE_PAGES, pages // FREE_SHARE):
                return False
            writer.execute("PRAGMA incremental_vacuum(256)").fetchall()
        return True

    def close(self) -> None:
        """Write the log back into the file and close every connection."""
        with self._write_lock:
            with contextlib.suppress(queue.Empty):
                while True:
                    self._idle.get_nowait().close()
            self._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._writer.close()
