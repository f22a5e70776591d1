"""The farm, its places, bins and feed stores, and the probes and where their channels sit."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, Row, Table, delete, insert, select, update

from underlid.model import (
    Bin,
    Channel,
    Farm,
    FeedStore,
    Place,
    Placement,
    Position,
    Probe,
    Quantity,
    Subject,
    SubjectKind,
    Twin,
)
from underlid.store import tables


def farm(connection: Connection) -> Farm | None:
    row = connection.execute(select(tables.farm)).mappings().first()
    return Farm(row["name"], row["time_zone"], row["limits"]) if row else None


def save_farm(connection: Connection, farm: Farm) -> None:
    values = {"name": farm.name, "time_zone": farm.time_zone, "limits": dict(farm.limits)}
    if connection.execute(update(tables.farm).values(values)).rowcount == 0:
        connection.execute(insert(tables.farm).values(values))


def places(connection: Connection) -> list[Place]:
    return [Place(**row) for row in _rows(connection, tables.place)]


def bins(connection: Connection) -> list[Bin]:
    return [Bin(**row) for row in _rows(connection, tables.bin_)]


def feed_stores(connection: Connection) -> list[FeedStore]:
    return [FeedStore(**row) for row in _rows(connection, tables.feed_store)]


def save_place(connection: Connection, place: Place) -> None:
    _save(connection, tables.place, _plain(place))


def save_bin(connection: Connection, bin_: Bin) -> None:
    _save(connection, tables.bin_, _plain(bin_))


def save_feed_store(connection: Connection, store: FeedStore) -> None:
    _save(connection, tables.feed_store, _plain(store))


def probes(connection: Connection) -> list[Probe]:
    return [Probe(**row) for row in _rows(connection, tables.probe)]


def save_probe(connection: Connection, probe: Probe) -> None:
    _save(connection, tables.probe, asdict(probe))


def set_online(connection: Connection, probe_id: str, online: bool) -> None:
    """What a probe, or its last will, said of itself."""
    connection.execute(update(tables.probe).where(tables.probe.c.id == probe_id).values(online=online))


def channels(connection: Connection) -> list[Channel]:
    rows = connection.execute(select(tables.channel).order_by(tables.channel.c.id))
    return [_channel(row) for row in rows]


def names(connection: Connection) -> dict[Subject, str]:
    """What everything that can have alarms or a log is called."""
    kinds = {
        SubjectKind.PLACE: tables.place,
        SubjectKind.BIN: tables.bin_,
        SubjectKind.FEED_STORE: tables.feed_store,
        SubjectKind.PROBE: tables.probe,
    }
    return {
        Subject(kind, row.id): row.name
        for kind, table in kinds.items()
        for row in connection.execute(select(table.c.id, table.c.name))
    }


def register_channel(
    connection: Connection, probe_id: str, name: str, unit: str, quantity: Quantity
) -> Channel:
    """The channel of a known probe, made if it is new."""
    table = tables.channel
    key = (table.c.probe_id == probe_id) & (table.c.name == name) & (table.c.unit == unit)
    row = connection.execute(select(table).where(key)).first()
    if row is None:
        connection.execute(
            insert(table).values(probe_id=probe_id, name=name, unit=unit, quantity=quantity.value)
        )
        row = connection.execute(select(table).where(key)).one()
    return _channel(row)


def placements(connection: Connection, now_only: bool = False) -> list[Placement]:
    query = select(tables.placement).order_by(tables.placement.c.id)
    if now_only:
        query = query.where(tables.placement.c.to_ms.is_(None))
    return [
        Placement(
            row.id,
            row.channel_id,
            Subject(SubjectKind(row.subject_kind), row.subject_id),
            Position(row.position),
            row.from_ms,
            row.to_ms,
        )
        for row in connection.execute(query)
    ]


def place_channel(
    connection: Connection, channel_id: int, subject: Subject, position: Position, from_ms: int
) -> None:
    """Put a channel somewhere from a time on; where it sat before, it sat until then."""
    take_out_channel(connection, channel_id, from_ms)
    connection.execute(
        insert(tables.placement).values(
            channel_id=channel_id,
            subject_kind=subject.kind.value,
            subject_id=subject.id,
            position=position.value,
            from_ms=from_ms,
        )
    )


def take_out_channel(connection: Connection, channel_id: int, at_ms: int) -> None:
    table = tables.placement
    sits = (table.c.channel_id == channel_id) & table.c.to_ms.is_(None)
    connection.execute(update(table).where(sits).values(to_ms=at_ms))


def put_back_channels(connection: Connection, channel_ids: Sequence[int], taken_out_ms: int) -> None:
    """Undo that channels were taken out at a time: they sit on as though they had never been."""
    table = tables.placement
    ended = table.c.channel_id.in_(channel_ids) & (table.c.to_ms == taken_out_ms)
    connection.execute(update(table).where(ended).values(to_ms=None))


def twins(connection: Connection) -> dict[int, Twin]:
    """With what each channel that has a twin is compared."""
    rows = connection.execute(select(tables.twin))
    return {row.channel_id: Twin(row.channel_id, row.twin_id, row.from_ms) for row in rows}


def save_twin(connection: Connection, twin: Twin) -> None:
    end_twin(connection, twin.channel_id)
    connection.execute(insert(tables.twin).values(asdict(twin)))


def end_twin(connection: Connection, channel_id: int) -> None:
    connection.execute(delete(tables.twin).where(tables.twin.c.channel_id == channel_id))


def _channel(row: Row[Any]) -> Channel:
    return Channel(row.id, row.probe_id, row.name, row.unit, Quantity(row.quantity))


def _rows(connection: Connection, table: Table) -> Sequence[Mapping[str, Any]]:
    return [dict(row) for row in connection.execute(select(table).order_by(table.c.id)).mappings()]


def _plain(thing: Place | Bin | FeedStore) -> dict[str, Any]:
    names = type(thing).__dataclass_fields__
    return {name: getattr(thing, name) for name in names} | {"limits": dict(thing.limits)}


def _save(connection: Connection, table: Table, values: dict[str, Any]) -> None:
    if connection.execute(update(table).where(table.c.id == values["id"]).values(values)).rowcount == 0:
        connection.execute(insert(table).values(values))
