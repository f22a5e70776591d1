"""Sealing in SQLite: the rows of a channel's day become one block, and blocks grow coarse or go with age.

No reading is in a row and in a block at once; both together are what the store holds. A late reading of a sealed
day is a row again until the next sealing puts it into the block.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from itertools import groupby

import numpy as np

from underlid.model import Reading
from underlid.store.blocks import DAY_MS, Cells, hourly, join, packed, raw, unpacked, unpacked_times

SCHEMA = """
CREATE TABLE IF NOT EXISTS reading (
    channel INTEGER NOT NULL,
    time_ms INTEGER NOT NULL,
    value REAL NOT NULL,
    received_ms INTEGER NOT NULL,
    PRIMARY KEY (channel, time_ms)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS block (
    channel INTEGER NOT NULL,
    day INTEGER NOT NULL, -- since 1970-01-01, UTC
    thinned INTEGER NOT NULL, -- 1: one number an hour, with lows, highs and counts beside the means
    count INTEGER NOT NULL,
    sum REAL NOT NULL,
    low REAL NOT NULL,
    high REAL NOT NULL,
    first_ms INTEGER NOT NULL,
    last_ms INTEGER NOT NULL,
    first REAL NOT NULL,
    last REAL NOT NULL,
    last_received_ms INTEGER NOT NULL,
    times BLOB NOT NULL,
    value BLOB NOT NULL,
    lows BLOB,
    highs BLOB,
    counts BLOB,
    PRIMARY KEY (channel, day)
);
CREATE INDEX IF NOT EXISTS block_age ON block (thinned, day);
"""

_CELLS = "times, value, lows, highs, counts"


def due(connection: sqlite3.Connection, before_day: int, most: int) -> list[tuple[int, int]]:
    """Channels and days before a day that have rows, at most so many."""
    found: list[tuple[int, int]] = []
    channel = _scalar(connection, "SELECT min(channel) FROM reading")
    while channel is not None and len(found) < most:
        oldest = "SELECT min(time_ms) FROM reading WHERE channel = ? AND time_ms >= ?"
        time_ms = _scalar(connection, "SELECT min(time_ms) FROM reading WHERE channel = ?", channel)
        while time_ms is not None and time_ms // DAY_MS < before_day and len(found) < most:
            found.append((channel, time_ms // DAY_MS))
            time_ms = _scalar(connection, oldest, channel, (time_ms // DAY_MS + 1) * DAY_MS)
        channel = _scalar(connection, "SELECT min(channel) FROM reading WHERE channel > ?", channel)
    return found


def seal(writer: sqlite3.Connection, channel: int, day: int) -> None:
    """Move the rows of a channel's day into its block."""
    span = channel, day * DAY_MS, (day + 1) * DAY_MS - 1
    rows = writer.execute(
        "SELECT time_ms, value, received_ms FROM reading WHERE channel = ? AND time_ms BETWEEN ? AND ?"
        " ORDER BY time_ms",
        span,
    ).fetchall()
    if not rows:
        return
    time_ms, value, received_ms = zip(*rows, strict=True)
    late = raw(np.array(time_ms, np.int64), np.array(value, np.float64))
    block = _block(writer, channel, day)
    last_received_ms = received_ms[-1]
    if block is not None:
        cells, newest_received_ms = block
        last_received_ms = newest_received_ms if cells.time_ms[-1] > time_ms[-1] else last_received_ms
        late = join([cells, late])
    _put(writer, channel, day, late, last_received_ms)
    writer.execute("DELETE FROM reading WHERE channel = ? AND time_ms BETWEEN ? AND ?", span)


def not_sealed(writer: sqlite3.Connection, readings: Sequence[Reading]) -> list[Reading]:
    """Those that are in no block; of a day that was thinned already, none can be added."""

    def day_of(reading: Reading) -> tuple[int, int]:
        return reading[0], reading[1] // DAY_MS

    fresh: list[Reading] = []
    for (channel, day), group in groupby(sorted(readings, key=day_of), day_of):
        row = writer.execute(
            "SELECT thinned, times FROM block WHERE channel = ? AND day = ?", (channel, day)
        ).fetchone()
        if row is None:
            fresh += group
        elif not row[0]:
            there = set(unpacked_times(row[1]).tolist())
            fresh += (reading for reading in group if reading[1] not in there)
    return fresh


def cut_out(writer: sqlite3.Connection, channel: int, from_ms: int, to_ms: int) -> None:
    """Take what lies in a span out of a channel's blocks."""
    first, last = from_ms // DAY_MS, to_ms // DAY_MS
    whole = -(-from_ms // DAY_MS), (to_ms + 1) // DAY_MS - 1
    writer.execute("DELETE FROM block WHERE channel = ? AND day BETWEEN ? AND ?", (channel, *whole))
    for day in {first, last}:
        block = _block(writer, channel, day)
        if block is None:
            continue
        cells, received_ms = block
        rest = cells.where((cells.time_ms < from_ms) | (cells.time_ms > to_ms))
        writer.execute("DELETE FROM block WHERE channel = ? AND day = ?", (channel, day))
        if len(rest):
            same_last = rest.time_ms[-1] == cells.time_ms[-1]
            _put(writer, channel, day, rest, received_ms if same_last else int(rest.time_ms[-1]))


def thin(writer: sqlite3.Connection, before_day: int, most: int) -> int:
    """Turn raw blocks before a day into hourly ones, oldest first; gives how many."""
    old = writer.execute(
        "SELECT channel, day FROM block WHERE thinned = 0 AND day < ? ORDER BY day LIMIT ?",
        (before_day, most),
    ).fetchall()
    for channel, day in old:
        block = _block(writer, channel, day)
        assert block is not None
        cells, received_ms = block
        _put(writer, channel, day, hourly(cells), received_ms, thinned=True)
    return len(old)


def drop(writer: sqlite3.Connection, before_day: int, most: int) -> int:
    """Let blocks before a day go; gives how many."""
    gone = "DELETE FROM block WHERE rowid IN (SELECT rowid FROM block WHERE thinned = ? AND day < ? LIMIT ?)"
    return sum(writer.execute(gone, (thinned, before_day, most)).rowcount for thinned in (0, 1))


def sealed_to_ms(connection: sqlite3.Connection) -> int | None:
    """The end of the newest sealed day."""
    newest = "SELECT max(day) FROM block WHERE thinned = ?"
    days = [_scalar(connection, newest, thinned) for thinned in (0, 1)]
    return max((DAY_MS * (day + 1) for day in days if day is not None), default=None)


def blocks(connection: sqlite3.Connection, channel: int, from_ms: int, to_ms: int) -> Iterator[Cells]:
    """What a channel's blocks hold of a span, day by day."""
    query = f"SELECT {_CELLS} FROM block WHERE channel = ? AND day BETWEEN ? AND ? ORDER BY day"
    for row in connection.execute(query, (channel, from_ms // DAY_MS, to_ms // DAY_MS)):
        cells = unpacked(*row)
        if cells.time_ms[0] < from_ms or cells.time_ms[-1] > to_ms:
            cells = cells.where((cells.time_ms >= from_ms) & (cells.time_ms <= to_ms))
        if len(cells):
            yield cells


def days_as_cells(
    connection: sqlite3.Connection, channel: int, from_ms: int, to_ms: int, width_ms: int
) -> Iterator[Cells]:
    """As `blocks`, for buckets of a width: a day that lies in one bucket is one cell and is not unpacked."""
    if width_ms < DAY_MS:
        yield from blocks(connection, channel, from_ms, to_ms)
        return
    within = "first_ms >= ?4 AND last_ms <= ?5 AND (first_ms - ?4) / ?6 = (last_ms - ?4) / ?6"
    query = (
        f"SELECT first_ms, low, sum / count, high, count, {within} FROM block"
        " WHERE channel = ?1 AND day BETWEEN ?2 AND ?3 ORDER BY day"
    )
    span = channel, from_ms // DAY_MS, to_ms // DAY_MS, from_ms, to_ms, width_ms
    days = connection.execute(query, span).fetchall()
    whole = np.array([day[:5] for day in days if day[5]], np.float64).reshape(-1, 5)
    low, mean, high = whole[:, 1:4].T
    yield Cells(whole[:, 0].astype(np.int64), low, mean, high, whole[:, 4].astype(np.int64))
    for first_ms, *_, is_within in days:
        if not is_within:
            day = first_ms // DAY_MS
            start_ms, end_ms = max(from_ms, day * DAY_MS), min(to_ms, (day + 1) * DAY_MS - 1)
            yield from blocks(connection, channel, start_ms, end_ms)


def _block(connection: sqlite3.Connection, channel: int, day: int) -> tuple[Cells, int] | None:
    """The cells of a block, and when its last reading was received."""
    query = f"SELECT last_received_ms, {_CELLS} FROM block WHERE channel = ? AND day = ?"
    row = connection.execute(query, (channel, day)).fetchone()
    return (unpacked(*row[1:]), row[0]) if row else None


def _put(
    writer: sqlite3.Connection,
    channel: int,
    day: int,
    cells: Cells,
    last_received_ms: int,
    thinned: bool | None = None,
) -> None:
    coarse = cells.count is not None
    writer.execute(
        f"INSERT OR REPLACE INTO block VALUES ({', '.join('?' * 17)})",
        (
            channel,
            day,
            coarse if thinned is None else thinned,
            int(cells.counts.sum()),
            float((cells.mean * cells.counts).sum()),
            float(cells.low.min()),
            float(cells.high.max()),
            int(cells.time_ms[0]),
            int(cells.time_ms[-1]),
            float(cells.mean[0]),
            float(cells.mean[-1]),
            last_received_ms,
            packed(cells.time_ms),
            packed(cells.mean),
            packed(cells.low) if coarse else None,
            packed(cells.high) if coarse else None,
            packed(cells.counts) if coarse else None,
        ),
    )


def _scalar(connection: sqlite3.Connection, query: str, *values: int) -> int | None:
    found: int | None = connection.execute(query, values).fetchone()[0]
    return found
