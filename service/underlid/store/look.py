"""A look at a store's file that changes nothing, also while a service is at work on it."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from underlid.store.ledger import MIGRATIONS
from underlid.store.opening import lacking
from underlid.store.readings import StoreError, sqlite_file

KNOWN = frozenset(script.name[:4] for script in (MIGRATIONS / "versions").glob("[0-9]*.py"))


def look(file: Path) -> None:
    """See whether a store can be opened by this program. Raises StoreError with one line."""
    with _opened(file) as connection:
        present = (
            {version for (version,) in connection.execute("SELECT version_num FROM alembic_version")}
            if "alembic_version" in _tables(connection)
            else set()
        )
    if later := present - KNOWN:
        raise StoreError(f"{file}: its version {later.pop()} is later than this program's {max(KNOWN)}")


def look_at_server(url: str) -> str:
    """See whether a database server answers; gives what it says of itself. Raises StoreError with one line."""
    if url.startswith("postgresql:"):
        try:
            from underlid.store.postgres_server import version
        except ImportError as error:
            raise StoreError(lacking(url, "postgres", error)) from error
        return version(url, KNOWN)
    try:
        from underlid.store.influx_readings import ping
    except ImportError as error:
        raise StoreError(lacking(url, "influx", error)) from error
    return ping(url)


def has_credentials(url: str) -> bool:
    """Whether any probe in the ledger has a password. Raises StoreError with one line."""
    return _has_rows(url, "probe_credential")


def has_farm(url: str) -> bool:
    """Whether a service has begun a farm in the ledger. Raises StoreError with one line."""
    return _has_rows(url, "farm")


def _has_rows(url: str, table: str) -> bool:
    if not url.startswith("sqlite:"):
        from underlid.store.postgres_server import has_rows

        return has_rows(url, table)
    file = sqlite_file(url)
    if not file.exists():
        return False
    with _opened(file) as connection:
        return (
            table in _tables(connection)
            and connection.execute(f"SELECT 1 FROM {table}").fetchone() is not None
        )


@contextmanager
def _opened(file: Path) -> Iterator[sqlite3.Connection]:
    try:
        connection = sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True, timeout=5)
        try:
            yield connection
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise StoreError(f"{file}: {error}") from error


def _tables(connection: sqlite3.Connection) -> set[str]:
    return {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
