"""The situation as the rules would have seen it at a moment of the week, from the report's own material."""

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from zoneinfo import ZoneInfo

from underlid.model import Bin, FeedStore, Subject, SubjectKind
from underlid.reports.bedding import DAY_MS
from underlid.reports.material import Material
from underlid.rules.situation import LOOK_BACK_H, Sensor, Situation

_LOG_BACK_DAYS = 30
_LOOK_BACK_MS = LOOK_BACK_H * 3_600_000


def situation_at(
    material: Material,
    thing: Bin | FeedStore,
    at_ms: int,
    own_limits: Mapping[str, float] = MappingProxyType({}),
) -> Situation:
    """A bin or tub at a moment; `own_limits` in place of its own ones of that name."""
    kind = SubjectKind.BIN if isinstance(thing, Bin) else SubjectKind.FEED_STORE
    subject = Subject(kind, thing.id)
    place = material.basis.place(thing)
    month = datetime.fromtimestamp(at_ms / 1000, ZoneInfo(material.basis.farm.time_zone)).month
    return Situation(
        subject=subject,
        name=thing.name,
        now_ms=at_ms,
        place=place,
        thing=thing,
        limits=material.basis.limits(thing, month, own_limits),
        sensors=_sensors(material, subject, at_ms),
        air=_sensors(material, Subject(SubjectKind.PLACE, place.id), at_ms),
        log=tuple(
            entry
            for entry in material.log.get(subject, ())
            if at_ms - _LOG_BACK_DAYS * DAY_MS <= entry.at_ms <= at_ms
        ),
    )


def _sensors(material: Material, subject: Subject, at_ms: int) -> tuple[Sensor, ...]:
    return tuple(
        Sensor(
            piece.channel.id,
            track.position,
            track.quantity,
            piece.channel.unit,
            piece.series.since(at_ms - _LOOK_BACK_MS).until(at_ms),
        )
        for track in material.tracks.get(subject, ())
        for piece in track.pieces
        if piece.from_ms <= at_ms < piece.to_ms
    )
