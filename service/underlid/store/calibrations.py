"""Calibrations of raw moisture channels, every version of them."""

from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from underlid.model import CalibrationPoint, CalibrationRecord
from underlid.store import tables

table = tables.calibration


def add(connection: Connection, record: CalibrationRecord) -> CalibrationRecord:
    """Keep a calibration as its channel's next version; gives it with its id and version."""
    last = connection.execute(
        select(func.max(table.c.version)).where(table.c.channel_id == record.channel_id)
    )
    version = (last.scalar() or 0) + 1
    values = {
        "channel_id": record.channel_id,
        "moisture_id": record.moisture_id,
        "version": version,
        "made_ms": record.made_ms,
        "from_ms": record.from_ms,
        "points": [asdict(point) for point in record.points],
        "temp_coeff": record.temp_coeff,
        "temp_id": record.temp_id,
    }
    new_id = connection.execute(insert(table).values(values).returning(table.c.id)).scalar_one()
    return replace(record, id=new_id, version=version)


def records(connection: Connection, channel_id: int | None = None) -> list[CalibrationRecord]:
    """Calibrations of a channel, or of all, oldest version first."""
    query = select(table).order_by(table.c.channel_id, table.c.version)
    if channel_id is not None:
        query = query.where(table.c.channel_id == channel_id)
    return [_record(row) for row in connection.execute(query)]


def calibrated(connection: Connection) -> set[int]:
    """The channels that have a calibration."""
    return set(connection.execute(select(table.c.channel_id).distinct()).scalars())


def _record(row: Row[Any]) -> CalibrationRecord:
    return CalibrationRecord(
        id=row.id,
        channel_id=row.channel_id,
        moisture_id=row.moisture_id,
        version=row.version,
        made_ms=row.made_ms,
        from_ms=row.from_ms,
        points=tuple(CalibrationPoint(**point) for point in row.points),
        temp_coeff=row.temp_coeff,
        temp_id=row.temp_id,
    )
