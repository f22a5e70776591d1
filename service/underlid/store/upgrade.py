"""Before a later program changes the catalogue's tables: a copy of it as it was."""

import sqlite3
from contextlib import closing
from pathlib import Path

from underlid.store.ledger import MIGRATIONS
from underlid.store.readings import StoreError


def copy_before_upgrade(catalogue: Path, folder: Path) -> Path | None:
    """Copy a catalogue that is about to be migrated into a folder; None where it is not.

    Raises StoreError where it can't be copied: then it is not to be changed either.
    """
    known = sorted(file.name[:4] for file in (MIGRATIONS / "versions").glob("[0-9]*.py"))
    present = _version(catalogue)
    if present is None or present not in known or present == known[-1]:
        return None
    copy = folder / f"catalogue-before-{known[-1]}-was-{present}.db"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        making = copy.with_suffix(".making")
        making.unlink(missing_ok=True)
        with (
            closing(sqlite3.connect(catalogue, timeout=10)) as source,
            closing(sqlite3.connect(making)) as to,
        ):
            source.backup(to)
            to.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
        making.replace(copy)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            f"{catalogue}: it must be copied to {copy} before this version changes it, and that failed ({error}); "
            "make room there"
        ) from error
    return copy


def _version(catalogue: Path) -> str | None:
    """Of which migration its tables are; None where there is no such file, or it has none yet."""
    if not catalogue.exists():
        return None
    try:
        with closing(sqlite3.connect(catalogue, timeout=10)) as connection:
            row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.Error:
        return None
    return str(row[0]) if row else None
