"""A readings store by its address: only what is asked for is imported."""

from underlid.store.readings import Readings, Retention, StoreError, sqlite_file
from underlid.store.url import shown


def open_readings(url: str, retention: Retention) -> Readings:
    """Open the store at `sqlite:///FILE`, `postgresql://...` or `influx://...`. Raises StoreError."""
    if url.startswith("postgresql:"):
        try:
            from underlid.store.postgres_readings import PostgresReadings
        except ImportError as error:
            raise StoreError(lacking(url, "postgres", error)) from error
        return PostgresReadings(url, retention)
    if url.startswith(("influx:", "influxs:")):
        if retention != Retention():
            raise StoreError(
                f"readings {shown(url)}: how long InfluxDB keeps readings is set there, by its retention policy; "
                "leave keep_raw_days and keep_hourly_days out"
            )
        try:
            from underlid.store.influx_readings import InfluxReadings
        except ImportError as error:
            raise StoreError(lacking(url, "influx", error)) from error
        return InfluxReadings(url)
    from underlid.store.sqlite_readings import SqliteReadings

    return SqliteReadings(sqlite_file(url), retention)


def lacking(url: str, extra: str, error: ImportError) -> str:
    """What to say where the library for a kind of store is not installed."""
    return f"{shown(url)} needs {error.name}, which is not installed: pip install 'underlid[{extra}]'"
