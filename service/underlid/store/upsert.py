"""INSERT ... ON CONFLICT, which SQLite and PostgreSQL both have and SQLAlchemy gives each in a module of its own."""

from typing import TYPE_CHECKING

from sqlalchemy import Connection, Table
from sqlalchemy.dialects import sqlite

if TYPE_CHECKING:
    from sqlalchemy.dialects import postgresql


def insert(connection: Connection, table: Table) -> "sqlite.Insert | postgresql.Insert":
    """An insert with `on_conflict_do_nothing` and `on_conflict_do_update`."""
    if connection.dialect.name == "postgresql":
        from sqlalchemy.dialects import postgresql

        return postgresql.insert(table)
    return sqlite.insert(table)
