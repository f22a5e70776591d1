"""The farm as the ledger and the readings hold it, put together for the rules."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from underlid.model import (
    Bin,
    Channel,
    Farm,
    FeedStore,
    LogEntry,
    Place,
    Placement,
    Probe,
    Subject,
    SubjectKind,
    Twin,
)
from underlid.rules.limits import DEFAULT_SPECIES, Limits, effective_limits
from underlid.store import catalogue
from underlid.store import log as keepers_log
from underlid.store.ledger import Connection

HOUR_MS = 3_600_000
LOG_BACK_H = 30 * 24
CLOCK_AHEAD_MS = 600_000  # a probe's clock may run ahead by so much; its readings count as present

FARM = Subject(SubjectKind.FARM, "farm")

Thing = Bin | FeedStore | Place | Probe | Farm


@dataclass(frozen=True, slots=True)
class Survey:
    """What the catalogue and the log held at one moment. Of the probes, those that sit somewhere."""

    farm: Farm
    things: Mapping[Subject, Thing]
    channels: Mapping[int, Channel]
    placements: Mapping[Subject, tuple[Placement, ...]]
    log: Mapping[Subject, tuple[LogEntry, ...]]
    twins: Mapping[int, Twin]
    probe_names: Mapping[str, str]
    probe_ids: tuple[str, ...]  # of the probes that are judged, in order
    channels_of: Mapping[str, tuple[Channel, ...]]  # by probe
    sits: Mapping[int, Placement]  # by channel
    inside: Mapping[str, tuple[Subject, ...]]  # the bins and feed stores in a place

    def place_of(self, thing: Thing) -> Place | None:
        """Where a thing is; a probe's channels may be in several places."""
        if isinstance(thing, Probe | Farm):
            return None
        if isinstance(thing, Place):
            return thing
        place = self.things[Subject(SubjectKind.PLACE, thing.place_id)]
        assert isinstance(place, Place)
        return place

    def limits(self, thing: Thing, now_ms: int | None = None) -> Limits:
        """The limits of a thing at a moment, each with where it comes from; without a moment those of no season."""
        place = self.place_of(thing)
        own = thing.limits if isinstance(thing, Bin | FeedStore) else {}
        species = thing.species if isinstance(thing, Bin) else None
        return effective_limits(
            species, self.farm.limits, place.limits if place else {}, own, self._month(now_ms)
        )

    def usual_limits(self, place: Place | None, now_ms: int) -> Limits:
        """What a bin of the usual species inherits in a place, or wherever the farm alone has limits."""
        own = place.limits if place else {}
        return effective_limits(DEFAULT_SPECIES, self.farm.limits, own, month=self._month(now_ms))

    def _month(self, now_ms: int | None) -> int | None:
        """By the farm's calendar."""
        if now_ms is None:
            return None
        return datetime.fromtimestamp(now_ms / 1000, ZoneInfo(self.farm.time_zone)).month

    def touched_by(self, channel_ids: Iterable[int]) -> set[Subject]:
        """The subjects whose judgement a reading of these channels can change."""
        ids = set(channel_ids)
        ids |= {twin.channel_id for twin in self.twins.values() if twin.twin_id in ids}
        seen = {self.sits[each].subject for each in ids & self.sits.keys()}
        inside = {
            s for place in seen if place.kind is SubjectKind.PLACE for s in self.inside.get(place.id, ())
        }
        spoke = {
            Subject(SubjectKind.PROBE, self.channels[each].probe_id) for each in ids & self.channels.keys()
        }
        return (seen | inside | spoke) & self.things.keys()


def take_survey(connection: Connection, now_ms: int) -> Survey:
    """Read the catalogue, the present placements and the log of the last weeks."""
    probes = catalogue.probes(connection)
    placements = catalogue.placements(connection, now_only=True)
    return _survey(connection, probes, placements, _log(connection, now_ms, now_ms))


def take_surveys(connection: Connection, from_ms: int, to_ms: int) -> list[tuple[int, Survey]]:
    """What was to be seen in a period, each from a time on: what sat where then, with the present catalogue."""
    probes, placements = catalogue.probes(connection), catalogue.placements(connection)
    log = _log(connection, from_ms, to_ms)
    changes = {time_ms for p in placements for time_ms in (p.from_ms, p.to_ms)}
    changes |= {probe.retired_ms for probe in probes}
    times = [from_ms, *sorted(t for t in changes if t is not None and from_ms < t <= to_ms)]
    found = []
    for time_ms in times:
        sat = [p for p in placements if p.from_ms <= time_ms and (p.to_ms is None or time_ms < p.to_ms)]
        # Whether a probe was online then nobody knows.
        then = [
            replace(
                p, online=None, retired_ms=None if p.retired_ms and p.retired_ms > time_ms else p.retired_ms
            )
            for p in probes
        ]
        found.append((time_ms, _survey(connection, then, sat, log)))
    return found


def _log(connection: Connection, from_ms: int, to_ms: int) -> dict[Subject, tuple[LogEntry, ...]]:
    """The entries that matter in a period, oldest first."""
    log: dict[Subject, list[LogEntry]] = {}
    for entry in reversed(keepers_log.entries(connection, from_ms - LOG_BACK_H * HOUR_MS, to_ms)):
        log.setdefault(entry.subject, []).append(entry)
    return {subject: tuple(entries) for subject, entries in log.items()}


def _survey(
    connection: Connection,
    probes: Sequence[Probe],
    placements: Sequence[Placement],
    log: Mapping[Subject, tuple[LogEntry, ...]],
) -> Survey:
    farm = catalogue.farm(connection)
    assert farm is not None, "the farm is made when the service starts"
    things: dict[Subject, Thing] = {}
    things |= {Subject(SubjectKind.PLACE, place.id): place for place in catalogue.places(connection)}
    things |= {Subject(SubjectKind.BIN, bin_.id): bin_ for bin_ in catalogue.bins(connection)}
    things |= {
        Subject(SubjectKind.FEED_STORE, store.id): store for store in catalogue.feed_stores(connection)
    }
    channels = {channel.id: channel for channel in catalogue.channels(connection)}
    placed: dict[Subject, list[Placement]] = {}
    for placement in placements:
        placed.setdefault(placement.subject, []).append(placement)
    channels_of: dict[str, list[Channel]] = {}
    for channel in channels.values():
        channels_of.setdefault(channel.probe_id, []).append(channel)
    inside: dict[str, list[Subject]] = {}
    for subject, thing in things.items():
        if isinstance(thing, Bin | FeedStore):
            inside.setdefault(thing.place_id, []).append(subject)
    sitting = {channels[p.channel_id].probe_id for p in placements}
    things |= {
        Subject(SubjectKind.PROBE, probe.id): probe
        for probe in probes
        if probe.id in sitting and probe.retired_ms is None
    }
    things[FARM] = farm
    return Survey(
        farm,
        things,
        channels,
        {subject: tuple(some) for subject, some in placed.items()},
        log,
        catalogue.twins(connection),
        {probe.id: probe.name for probe in probes},
        tuple(sorted(subject.id for subject in things if subject.kind is SubjectKind.PROBE)),
        {probe_id: tuple(some) for probe_id, some in channels_of.items()},
        {placement.channel_id: placement for placement in placements},
        {place_id: tuple(some) for place_id, some in inside.items()},
    )
