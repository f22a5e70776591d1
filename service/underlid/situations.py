"""A subject's situation: what a survey, the readings and a moment come to, for the rules."""

from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np

from underlid.model import Channel, LogEntry, Placement, Quantity, Series, Subject, SubjectKind
from underlid.rules.situation import BATTERY_BACK_H, LOOK_BACK_H, Sensor, Situation, Times, TwinSeries
from underlid.survey import CLOCK_AHEAD_MS, FARM, HOUR_MS, LOG_BACK_H, Survey

HEARD_PROBES = 12  # so many probes, spread over all, tell whether anybody is heard


class Windows(Protocol):
    """Readings as far as the rules look at them: the store, or what a replay holds of it."""

    def window(self, channel_id: int, from_ms: int, to_ms: int) -> Series:
        """The readings of a channel from and to a time, both included, in time order."""


Airs = dict[
    tuple[Subject | None, int], dict[object, object]
]  # what is known of places' air, by place and moment


def situation(
    survey: Survey,
    readings: Windows,
    subject: Subject,
    now_ms: int,
    active: Mapping[str, bool],
    airs: Airs | None = None,
) -> Situation:
    """Everything the rules may look at of a subject now. Subjects that share `airs` share what is worked out of air."""
    thing = survey.things[subject]
    place = survey.place_of(thing)
    air_of = Subject(SubjectKind.PLACE, place.id) if place else None
    return Situation(
        subject=subject,
        name=thing.name,
        now_ms=now_ms,
        place=place,
        thing=thing,
        limits=survey.limits(thing, now_ms),
        sensors=() if subject in (air_of, FARM) else _sensors(survey, readings, subject, now_ms),
        air=_sensors(survey, readings, air_of, now_ms) if air_of else (),
        log=_log_until(survey.log.get(subject, ()), now_ms),
        others=len(survey.probe_ids) - (subject.kind is SubjectKind.PROBE),
        others_heard=lambda from_ms: _heard(survey, readings, subject, from_ms, now_ms),
        active=active,
        air_memo=airs.setdefault((air_of, now_ms), {}) if airs is not None and air_of else {},
    )


def _heard(survey: Survey, readings: Windows, but: Subject, from_ms: int, now_ms: int) -> Times:
    """When any of some probes, spread over all but one, spoke."""
    step = -(-len(survey.probe_ids) // HEARD_PROBES) or 1
    asked = [id_ for id_ in survey.probe_ids[::step] if id_ != but.id]
    ids = [channel.id for id_ in asked for channel in survey.channels_of.get(id_, ())]
    times = [readings.window(id_, from_ms, now_ms).time_ms for id_ in ids]
    return np.unique(np.concatenate(times)) if times else np.empty(0, np.int64)


def _log_until(entries: Sequence[LogEntry], now_ms: int) -> Sequence[LogEntry]:
    return [e for e in entries if now_ms - LOG_BACK_H * HOUR_MS <= e.at_ms <= now_ms]


def _sensors(survey: Survey, readings: Windows, subject: Subject, now_ms: int) -> tuple[Sensor, ...]:
    """The channels that sit at a subject since they sit there; all channels of a probe, placed or not."""
    if subject.kind is SubjectKind.PROBE:
        return _probes_sensors(survey, readings, subject.id, now_ms)
    earliest_ms = now_ms - LOOK_BACK_H * HOUR_MS
    found = []
    for placed in survey.placements.get(subject, ()):
        channel = survey.channels[placed.channel_id]
        series = readings.window(channel.id, max(placed.from_ms, earliest_ms), now_ms + CLOCK_AHEAD_MS)
        found.append(Sensor(channel.id, placed.position, channel.quantity, channel.unit, series))
    return tuple(found)


def _probes_sensors(survey: Survey, readings: Windows, probe_id: str, now_ms: int) -> tuple[Sensor, ...]:
    airs: dict[tuple[int, int], Series] = {}  # most of a probe's thermometers have the same air beside them
    found = []
    for channel in survey.channels_of.get(probe_id, ()):
        back_h = BATTERY_BACK_H if channel.quantity is Quantity.BATTERY else LOOK_BACK_H
        series = readings.window(channel.id, now_ms - back_h * HOUR_MS, now_ms + CLOCK_AHEAD_MS)
        placed = survey.sits.get(channel.id)
        beside = _air_beside(survey, channel, placed) if placed else None
        if beside is not None and beside not in airs:
            from_ms = max(beside[1], now_ms - LOOK_BACK_H * HOUR_MS)
            airs[beside] = readings.window(beside[0], from_ms, now_ms + CLOCK_AHEAD_MS)
        found.append(
            Sensor(
                channel.id,
                placed.position if placed else None,
                channel.quantity,
                channel.unit,
                series,
                twin=twin_series(survey, readings, channel.id, now_ms),
                air=airs[beside] if beside is not None else None,
            )
        )
    return tuple(found)


def twin_series(survey: Survey, readings: Windows, channel_id: int, now_ms: int) -> TwinSeries | None:
    """What a channel is compared with, since the two are compared and both sit where they sit."""
    twin = survey.twins.get(channel_id)
    if twin is None or twin.twin_id not in survey.channels:
        return None
    moved_ms = [survey.sits[each].from_ms for each in (channel_id, twin.twin_id) if each in survey.sits]
    from_ms = max(now_ms - LOOK_BACK_H * HOUR_MS, twin.from_ms, *moved_ms)
    other = survey.channels[twin.twin_id]
    return TwinSeries(
        name=f"{survey.probe_names.get(other.probe_id, other.probe_id)} {other.name}",
        series=readings.window(other.id, from_ms, now_ms + CLOCK_AHEAD_MS),
    )


def _air_beside(survey: Survey, channel: Channel, placed: Placement) -> tuple[int, int] | None:
    """For a thermometer in the bedding of a bin: the channel of its place's air, and since when both sit."""
    if channel.quantity is not Quantity.TEMPERATURE or placed.subject.kind is not SubjectKind.BIN:
        return None
    place = survey.place_of(survey.things[placed.subject])
    assert place is not None
    for air in survey.placements.get(Subject(SubjectKind.PLACE, place.id), ()):
        if survey.channels[air.channel_id].quantity is Quantity.TEMPERATURE:
            return air.channel_id, max(placed.from_ms, air.from_ms)
    return None
