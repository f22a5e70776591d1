"""The ledger's database: opened, migrated, and handed out as short transactions."""

import json
import logging
import math
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.exc import DataError, SQLAlchemyError

from underlid.store.opening import lacking
from underlid.store.readings import StoreError, sqlite_file
from underlid.store.url import first_line, shown

__all__ = ["Connection", "Ledger", "UnkeepableError"]  # whoever reads or writes names the connection's type

MIGRATIONS = Path(__file__).parent / "migrations"
WRITING = 8_480_002  # the advisory lock of whoever writes
AT_ONCE = 40  # as many threads as may ask at once


class UnkeepableError(ValueError):
    """What the database can't hold, as PostgreSQL a text with a NUL in it."""


class Ledger:
    """Catalogue, log, alarms, outbox and quarantine in one database, SQLite's or PostgreSQL's.

    `reading()` gives a connection for queries, `writing()` one whose changes commit together or not at all.
    """

    def __init__(self, url: str) -> None:
        """Open the database and bring its tables up to date. Raises StoreError with one line."""
        self.is_shared = url.startswith("postgresql:")
        self._shown = shown(url) if self.is_shared else str(sqlite_file(url))
        self._write_lock = threading.Lock()
        self._engine = _server(url) if self.is_shared else _file(url)
        try:
            with self.writing() as connection:
                _migrate(connection)
        except StoreError as error:
            self.close()
            hint = "; give a folder that can be written"
            if "locked" in str(error):
                hint = "; another program holds it: close that one"
            if self.is_shared or "later than" in str(error):
                hint = ""
            raise StoreError(f"{error}{hint}") from error

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one moment. Raises StoreError."""
        with self._told(), self._engine.connect() as connection:
            if self.is_shared:
                connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
            else:
                connection.exec_driver_sql("BEGIN")
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One writer at a time, in however many processes: none finds the database locked, or half of what
        another does. Raises StoreError and UnkeepableError."""
        with self._write_lock, self._told(), self._engine.begin() as connection:
            if self.is_shared:
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": WRITING})
            else:
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            yield connection

    @contextmanager
    def beside(self) -> Iterator[Connection]:
        """A transaction that waits for no writer: of PostgreSQL alone, for rows that are locked one by one."""
        with self._told(), self._engine.begin() as connection:
            yield connection

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except DataError as error:
            raise UnkeepableError(f"catalogue {self._shown}: {first_line(error.orig or error)}") from error
        except SQLAlchemyError as error:
            reason = getattr(error, "orig", None) or error
            raise StoreError(f"catalogue {self._shown}: {first_line(reason)}") from error

    def close(self) -> None:
        self._engine.dispose()


def _as_json(body: object) -> str:
    """JSON has no infinity, and PostgreSQL takes none: null stands for it, as in what the API says."""
    try:
        return json.dumps(body, allow_nan=False)
    except ValueError:
        return json.dumps(_finite(body))


def _finite(body: object) -> object:
    if isinstance(body, dict):
        return {key: _finite(value) for key, value in body.items()}
    if isinstance(body, list | tuple):
        return [_finite(value) for value in body]
    return None if isinstance(body, float) and not math.isfinite(body) else body


def _file(url: str) -> Engine:
    engine = create_engine(url, connect_args={"timeout": 10}, json_serializer=_as_json, max_overflow=AT_ONCE)
    event.listen(engine, "connect", _tune)
    return engine


def _server(url: str) -> Engine:
    try:
        from underlid.store.postgres_server import PATIENCE

        return create_engine(
            "postgresql+psycopg:" + url.removeprefix("postgresql:"),
            connect_args=PATIENCE,
            pool_pre_ping=True,
            json_serializer=_as_json,
            max_overflow=AT_ONCE,
        )
    except ImportError as error:
        raise StoreError(lacking(url, "postgres", error)) from error


def _tune(connection: Any, _record: object) -> None:
    # Transactions are begun by us (BEGIN IMMEDIATE), not by the driver at the first write.
    connection.isolation_level = None
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA foreign_keys=ON")


def _migrate(connection: Connection) -> None:
    """Bring the tables up to date. Raises StoreError when they are of a later version than the program."""
    known = sorted(file.name[:4] for file in (MIGRATIONS / "versions").glob("[0-9]*.py"))
    if inspect(connection).has_table("alembic_version"):
        present = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        if present == known[-1]:
            return
        if present not in known:
            raise StoreError(
                f"catalogue: its version {present} is later than this program's {known[-1]}; "
                "use the program that wrote it, or a later one"
            )
    # Only now: most starts find the tables in order and need not wait for this import.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    logging.getLogger("alembic").setLevel(logging.WARNING)
    command.upgrade(config, "head")
