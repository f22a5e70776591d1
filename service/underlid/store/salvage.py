"""Is a SQLite file sound, and what can be read of one that is not: saved row by row into a new one."""

import contextlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from underlid.store.readings import StoreError

MOST_KEY = 2**63 - 1
AT_ONCE = 5000  # rows of a transaction
_BESIDE = ("", "-wal", "-shm")

Row = tuple[Any, ...]
After = Callable[
    [int], Iterator[Row]
]  # rows whose first column, a whole number, is above the given one, in order


@dataclass(frozen=True, slots=True)
class Saved:
    """What was saved of a damaged file; `aside` is the file as it was, `damaged` the tables of which rows are lost."""

    aside: Path
    rows: int
    damaged: tuple[str, ...]

    @property
    def words(self) -> str:
        lost = f", all but what could not be read of {', '.join(self.damaged)}" if self.damaged else ""
        return f"{self.rows} rows were saved{lost}; the file as it was is {self.aside}"


def was_cut_off(file: Path) -> bool:
    """Whether the last program that worked on it did not close it, as after a power cut."""
    with contextlib.suppress(OSError):
        return Path(f"{file}-wal").stat().st_size > 0
    return False


def trouble(file: Path) -> str | None:
    """What is wrong with the file by its own account (PRAGMA quick_check), or None."""
    try:
        with closing(sqlite3.connect(file, timeout=10)) as connection:
            found = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    except sqlite3.OperationalError as error:  # locked, not readable: nothing about its content
        if "malformed" not in str(error):
            return None
        found = str(error)
    except sqlite3.DatabaseError as error:
        found = str(error)
    return None if found == "ok" else found.splitlines()[0]


def save(file: Path, mark: str) -> Saved | None:
    """Put a new file with all that can be read in the place of a damaged one, which stays beside it.

    None where nothing can be read: then nothing was changed. Raises StoreError where the new file can't be written.
    """
    try:
        return _save(file, mark)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            f"{file} is damaged, and what can be read of it can't be saved beside it: {error}"
        ) from error


def _save(file: Path, mark: str) -> Saved | None:
    aside = file.with_name(f"{file.name}.damaged-{mark}")
    new = file.with_name(f"{file.name}.saving")
    for end in _BESIDE:
        Path(f"{new}{end}").unlink(missing_ok=True)
        if Path(f"{file}{end}").exists():
            _link(Path(f"{file}{end}"), Path(f"{aside}{end}"))
    with closing(sqlite3.connect(aside)) as source, closing(sqlite3.connect(new)) as target:
        target.execute("PRAGMA auto_vacuum=INCREMENTAL")
        rows, damaged = _copy(source, target)
    if rows == 0:
        for end in _BESIDE:
            Path(f"{new}{end}").unlink(missing_ok=True)
            Path(f"{aside}{end}").unlink(missing_ok=True)
        return None
    for end in _BESIDE[1:]:  # they belong to the damaged file, and would be played into the new one
        Path(f"{file}{end}").unlink(missing_ok=True)
    new.replace(file)
    return Saved(aside, rows, damaged)


def _link(file: Path, to: Path) -> None:
    """The same file under another name, without room of its own where the disk can do that."""
    to.unlink(missing_ok=True)
    try:
        os.link(file, to)
    except OSError:
        shutil.copy2(file, to)


def _copy(source: sqlite3.Connection, target: sqlite3.Connection) -> tuple[int, tuple[str, ...]]:
    """How many rows were copied, and of which tables some could not be read."""
    try:
        schema = source.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'"
        ).fetchall()
    except sqlite3.DatabaseError:
        return 0, ()
    rows, damaged = 0, []
    for kind, name, sql in schema:
        if kind != "table":
            continue
        target.execute(sql)
        before = target.total_changes
        is_whole = _copy_table(source, target, name, "WITHOUT ROWID" in sql.upper())
        rows += target.total_changes - before
        if not is_whole:
            damaged.append(name)
    for kind, _, sql in schema:
        if kind != "table":
            target.execute(sql)
    rows -= _drop_orphans(target)
    target.execute(f"PRAGMA user_version={int(source.execute('PRAGMA user_version').fetchone()[0])}")
    target.commit()
    return rows, tuple(damaged)


def _copy_table(source: sqlite3.Connection, target: sqlite3.Connection, name: str, is_keyed: bool) -> bool:
    """Copy what can be read of a table; gives whether that is all."""
    columns = [row[1] for row in target.execute(f'PRAGMA table_info("{name}")')]
    listed = ", ".join(f'"{column}"' for column in columns)
    into = f'INSERT OR IGNORE INTO "{name}" ({listed}) VALUES ({", ".join("?" * len(columns))})'
    if is_keyed:  # the readings: keyed by two whole numbers, channel and time
        first, second = columns[:2]

        def leading(after: int) -> Iterator[Row]:
            query = f'SELECT min("{first}") FROM "{name}" WHERE "{first}" > ?'
            while (found := source.execute(query, (after,)).fetchone()[0]) is not None:
                yield (found,)
                after = found

        def rows(of: int) -> After:
            query = f'SELECT "{second}", {listed} FROM "{name}" WHERE "{first}" = ? AND "{second}" > ?'
            return lambda after: source.execute(f'{query} ORDER BY "{second}"', (of, after))

        gaps: list[int] = []
        for (key,) in _readable(leading, gaps):
            _insert(target, into, _readable(rows(key), gaps))
        return not gaps
    query = f'SELECT rowid, {listed} FROM "{name}" WHERE rowid > ? ORDER BY rowid'
    gaps = []
    _insert(target, into, _readable(lambda after: source.execute(query, (after,)), gaps))
    return not gaps


def _insert(target: sqlite3.Connection, into: str, rows: Iterator[Row]) -> None:
    batch = []
    for row in rows:
        batch.append(row[1:])
        if len(batch) == AT_ONCE:
            target.executemany(into, batch)
            target.commit()
            batch.clear()
    target.executemany(into, batch)
    target.commit()


def _readable(after: After, gaps: list[int]) -> Iterator[Row]:
    """Every row that can be read, in order; where one can't be, the key before the gap is put into `gaps`."""
    key = -1
    while True:
        try:
            for row in after(key):
                yield row
                key = row[0]
            return
        except sqlite3.DatabaseError:
            gaps.append(key)
        beyond = _beyond(after, key)
        if beyond is None:
            return
        key = beyond


def _beyond(after: After, key: int) -> int | None:
    """The least key, nearly, after which rows can be read again; None: after none."""
    step = 1
    while not _can_read(after, key + step):
        if key + step >= MOST_KEY:
            return None
        step = min(step * 2, MOST_KEY - key)
    low, high = step // 2, step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _can_read(after, key + middle) else (middle, high)
    return key + high


def _can_read(after: After, key: int) -> bool:
    try:
        next(iter(after(key)), None)
    except sqlite3.DatabaseError:
        return False
    return True


def _drop_orphans(target: sqlite3.Connection) -> int:
    """Delete rows that refer to lost ones, which no program expects; gives how many."""
    dropped = 0
    while orphans := target.execute("PRAGMA foreign_key_check").fetchall():
        for table, rowid, *_ in orphans:
            dropped += target.execute(f'DELETE FROM "{table}" WHERE rowid = ?', (rowid,)).rowcount
        target.commit()
    return dropped
