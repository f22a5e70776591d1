"""Copies of both databases as of one moment, made while a service is at work on them (SQLite's online backup)."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

from underlid.store.readings import StoreError

_PAGES = 2048  # copied at a time, between two looks at whether to go on
_WAIT_S = 30

Step = Callable[[int, int], None]  # pages left, of all; may raise to break off


def copy_both(catalogue: Path, readings: Path, to_catalogue: Path, to_readings: Path, step: Step) -> None:
    """Copy both as of the same moment. Raises StoreError, and what `step` raises.

    For that moment, some milliseconds, the catalogue is locked against writers. As a channel is committed to the
    catalogue before its first reading to the readings, no copied reading is of a channel that the copied catalogue
    does not know. The copying itself, however long, goes on beside the writers: it reads what was then.
    """
    with _told(catalogue), _one_moment(catalogue, readings) as (from_catalogue, from_readings):
        _copy(from_catalogue, to_catalogue, step)
        with _told(readings):
            _copy(from_readings, to_readings, step)


def check_whole(file: Path) -> None:
    """See whether a database is sound from its first page to its last. Raises StoreError with one line."""
    with _told(file), closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if found != "ok":
        raise StoreError(f"{file}: {found}")


@contextmanager
def _one_moment(catalogue: Path, readings: Path) -> Iterator[tuple[sqlite3.Connection, sqlite3.Connection]]:
    """Both databases, each in a transaction that goes on seeing what was there when it began."""
    with ExitStack() as stack:
        lock, first, second = (
            stack.enter_context(closing(_opened(f))) for f in (catalogue, catalogue, readings)
        )
        lock.execute("BEGIN IMMEDIATE")
        try:
            for file, connection in ((readings, second), (catalogue, first)):
                with _told(file):
                    connection.execute("BEGIN")
                    connection.execute(
                        "SELECT count(*) FROM sqlite_master"
                    ).fetchone()  # only now does it begin
        finally:
            lock.execute("ROLLBACK")
        yield first, second


def _opened(file: Path) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{file.absolute().as_uri()}?mode=rw", uri=True, timeout=_WAIT_S, isolation_level=None
    )


def _copy(source: sqlite3.Connection, to: Path, step: Step) -> None:
    with closing(sqlite3.connect(to)) as copy:
        source.backup(copy, pages=_PAGES, progress=lambda _, left, of: step(left, of), sleep=0)
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it


@contextmanager
def _told(file: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise StoreError(f"{file}: {error}") from error
