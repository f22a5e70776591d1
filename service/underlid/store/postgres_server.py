"""What a PostgreSQL server says of itself and holds, without changing anything there."""

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
from psycopg import Connection, sql

from underlid.store.readings import StoreError
from underlid.store.url import first_line, shown

PATIENCE: Any = {
    "connect_timeout": 10,
    "keepalives_idle": 5,
    "tcp_user_timeout": 10_000,
}  # with a silent server


def version(url: str, known: Collection[str]) -> str:
    """The server at an address, in words. Raises StoreError, also for a catalogue of a later program."""
    with _looked_at(url) as connection:
        if _has_table(connection, "alembic_version"):
            present = {row[0] for row in connection.execute("SELECT version_num FROM alembic_version")}
            if later := present - set(known):
                raise StoreError(
                    f"{shown(url)}: its version {later.pop()} is later than this program's {max(known)}"
                )
        return f"{shown(url)}, PostgreSQL {connection.info.server_version // 10_000}"


def has_rows(url: str, table: str) -> bool:
    """Whether a table is there and not empty. Raises StoreError."""
    with _looked_at(url) as connection:
        if not _has_table(connection, table):
            return False
        query = sql.SQL("SELECT 1 FROM {} LIMIT 1").format(sql.Identifier(table))
        return connection.execute(query).fetchone() is not None


def _has_table(connection: Connection, table: str) -> bool:
    row = connection.execute("SELECT to_regclass(%s)", (table,)).fetchone()
    return row is not None and row[0] is not None


@contextmanager
def _looked_at(url: str) -> Iterator[Connection]:
    try:
        with psycopg.connect(url, connect_timeout=5) as connection:
            connection.read_only = True
            yield connection
    except psycopg.Error as error:
        raise StoreError(f"{shown(url)}: {first_line(error)}") from error
