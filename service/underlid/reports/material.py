"""What a weekly report is made from, read from the stores once, so that all else is a pure function of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from pydantic import TypeAdapter

from underlid.model import (
    Bin,
    Channel,
    Farm,
    FeedStore,
    LogEntry,
    LogKind,
    Place,
    Placement,
    Position,
    Probe,
    Quantity,
    Series,
    Subject,
    SubjectKind,
    Transition,
)
from underlid.reports.bedding import BED, DAY_MS, daily_course
from underlid.reports.held import usable
from underlid.reports.stock import begun_ms, history_from_ms
from underlid.reports.tracks import Piece, Track, held
from underlid.reports.week import Week
from underlid.rules.limits import Limits, effective_limits
from underlid.store import alarms, catalogue
from underlid.store import log as keepers_log
from underlid.store.ledger import Connection
from underlid.store.readings import Readings

LEAD_MS = DAY_MS  # a reading so long before the week before may still stand at its beginning
LOG_BACK_DAYS = 400
_KEPT_LONG: tuple[LogKind, ...] = ("worms", "harvest")  # say what is in the bin, however old they are
OWN_DAYS = 28
ALARMS_BACK_DAYS = 60  # an alarm that stands when the week begins was raised since
SHOWN = (Quantity.TEMPERATURE, Quantity.MOISTURE, Quantity.HUMIDITY)


@dataclass(frozen=True, slots=True)
class Basis:
    """What the catalogue held, and how far the log had got, when the week's report was first made."""

    farm: Farm
    places: tuple[Place, ...]
    bins: tuple[Bin, ...]
    feed_stores: tuple[FeedStore, ...]
    probes: tuple[Probe, ...]
    log_id: int
    made_ms: int

    def as_json(self) -> dict[str, Any]:
        return _BASIS.dump_python(self, mode="json")  # type: ignore[no-any-return]

    @staticmethod
    def from_json(stored: dict[str, Any]) -> "Basis":
        return _BASIS.validate_python(stored)

    @property
    def names(self) -> dict[Subject, str]:
        kinds: tuple[tuple[SubjectKind, Sequence[Place | Bin | FeedStore | Probe]], ...] = (
            (SubjectKind.PLACE, self.places),
            (SubjectKind.BIN, self.bins),
            (SubjectKind.FEED_STORE, self.feed_stores),
            (SubjectKind.PROBE, self.probes),
        )
        return {Subject(kind, thing.id): thing.name for kind, things in kinds for thing in things}

    def place(self, thing: Bin | FeedStore) -> Place:
        return next(place for place in self.places if place.id == thing.place_id)

    def limits(
        self, thing: Bin | FeedStore, month: int, own: Mapping[str, float] = MappingProxyType({})
    ) -> Limits:
        """The limits in force in a month of the farm's calendar; `own` in place of the thing's own of that name."""
        species = thing.species if isinstance(thing, Bin) else None
        place = self.place(thing).limits
        return effective_limits(species, self.farm.limits, place, {**thing.limits, **own}, month)


_BASIS = TypeAdapter(Basis)


@dataclass(frozen=True, slots=True)
class Own:
    """What a probe tells of itself: daily means of battery and signal over the four weeks up to the end."""

    battery: Series
    battery_unit: str
    signal: Series


@dataclass(frozen=True, slots=True)
class Material:
    """Everything a weekly report may look at. The log is oldest first and ends with the week; so do the steps."""

    week: Week
    to_ms: int  # the week's end, or the present where it is not over
    basis: Basis
    tracks: Mapping[Subject, tuple[Track, ...]]
    past_c: Mapping[str, Series]  # by bin: daily bed temperatures of the weeks before `tracks` begin
    own: Mapping[str, Own]  # by probe
    log: Mapping[Subject, tuple[LogEntry, ...]]
    deleted: tuple[LogEntry, ...]  # from the log, since the first report was made
    steps: tuple[Transition, ...]

    def limits(self, thing: Bin | FeedStore) -> Limits:
        """The limits that the week is judged by: those of the month that most of it lies in."""
        return self.basis.limits(thing, self.week.days[3].month)

    def track(self, subject: Subject, position: Position, quantity: Quantity) -> Track | None:
        return next(
            (t for t in self.tracks.get(subject, ()) if t.position is position and t.quantity is quantity),
            None,
        )

    def bed(self, subject: Subject, quantity: Quantity = Quantity.TEMPERATURE) -> Track | None:
        """What stands for a bin's bedding."""
        found = (self.track(subject, position, quantity) for position in BED)
        return next((track for track in found if track is not None), None)

    def air(self, place_id: str, quantity: Quantity) -> Track | None:
        return self.track(Subject(SubjectKind.PLACE, place_id), Position.AIR, quantity)


def take_basis(connection: Connection, now_ms: int) -> Basis:
    """The catalogue and the end of the log as they stand now."""
    farm = catalogue.farm(connection)
    assert farm is not None, "the farm is made when the service starts"
    return Basis(
        farm,
        tuple(catalogue.places(connection)),
        tuple(catalogue.bins(connection)),
        tuple(catalogue.feed_stores(connection)),
        tuple(catalogue.probes(connection)),
        keepers_log.last_id(connection),
        now_ms,
    )


def gather(connection: Connection, readings: Readings, week: Week, to_ms: int, basis: Basis) -> Material:
    """Read what the report of a week needs, up to a moment in it or its end."""
    from_ms = week.before.from_ms - LEAD_MS
    channels = {channel.id: channel for channel in catalogue.channels(connection)}
    sat: dict[tuple[Subject, Position, Quantity], list[Placement]] = {}
    placements = catalogue.placements(connection)
    for placed in placements:
        quantity = channels[placed.channel_id].quantity
        if quantity in SHOWN and placed.from_ms < to_ms and (placed.to_ms or to_ms) > from_ms:
            sat.setdefault((placed.subject, placed.position, quantity), []).append(placed)
    pieces: dict[tuple[Subject, Position, Quantity], tuple[Piece, ...]] = {}
    for key, sitting in sorted(sat.items(), key=_order):
        read = [_piece(readings, channels[p.channel_id], p, from_ms, to_ms) for p in sitting]
        if some := tuple(piece for piece in read if len(piece.series)):
            pieces[key] = some
    found: dict[Subject, tuple[Track, ...]] = {}
    for (subject, position, quantity), of_it in _without_frozen(pieces).items():
        track = Track(
            subject,
            position,
            quantity,
            of_it[-1].channel.unit,
            of_it,
            held(of_it, week.from_ms, to_ms),
            held(of_it, week.before.from_ms, week.from_ms),
        )
        found[subject] = (*found.get(subject, ()), track)
    log: dict[Subject, list[LogEntry]] = {}
    for entry in _log(connection, to_ms):
        log.setdefault(entry.subject, []).append(entry)
    return Material(
        week=week,
        to_ms=to_ms,
        basis=basis,
        tracks=found,
        past_c={
            bin_.id: daily_course(
                readings,
                channels,
                placements,
                subject := Subject(SubjectKind.BIN, bin_.id),
                Quantity.TEMPERATURE,
                history_from_ms(begun_ms(bin_, log.get(subject, ()), to_ms), to_ms),
                from_ms,
            )
            for bin_ in basis.bins
        },
        own={probe.id: _own(readings, channels, probe.id, to_ms) for probe in basis.probes},
        log={subject: tuple(entries) for subject, entries in log.items()},
        deleted=tuple(
            entry
            for entry in keepers_log.entries(connection, week.before.from_ms, to_ms - 1, deleted=True)
            if entry.id <= basis.log_id and (entry.deleted_ms or 0) > basis.made_ms
        ),
        steps=tuple(alarms.transitions(connection, week.from_ms - ALARMS_BACK_DAYS * DAY_MS, to_ms - 1)),
    )


def _order(item: tuple[tuple[Subject, Position, Quantity], Any]) -> tuple[Subject, int, int]:
    subject, position, quantity = item[0]
    return subject, list(Position).index(position), SHOWN.index(quantity)


def _piece(readings: Readings, channel: Channel, placed: Placement, from_ms: int, to_ms: int) -> Piece:
    begin, end = max(placed.from_ms, from_ms), min(placed.to_ms or to_ms, to_ms)
    series = readings.window(channel.id, begin, end - 1)
    return Piece(channel, begin, end, series, _where(series, usable(series, channel.quantity)))


def _where(series: Series, mask: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Series:
    return series if mask.all() else Series(series.time_ms[mask], series.value[mask])


def _without_frozen(
    pieces: Mapping[tuple[Subject, Position, Quantity], tuple[Piece, ...]],
) -> dict[tuple[Subject, Position, Quantity], tuple[Piece, ...]]:
    """Moisture read while the bedding there is frozen counts for nothing: ice is dry to a moisture probe."""
    out = dict(pieces)
    for (subject, position, quantity), of_it in pieces.items():
        if quantity is not Quantity.MOISTURE:
            continue
        beside = next(
            (
                pieces[key]
                for where in (position, Position.CORE, Position.TOP)
                if (key := (subject, where, Quantity.TEMPERATURE)) in pieces
            ),
            (),
        )
        if any(len(piece.meant) and float(piece.meant.value.min()) <= 0.0 for piece in beside):
            out[subject, position, quantity] = tuple(_thawed(piece, beside) for piece in of_it)
    return out


def _thawed(piece: Piece, beside: Sequence[Piece]) -> Piece:
    time = np.concatenate([each.meant.time_ms for each in beside])
    order = np.argsort(time, kind="stable")
    value = np.concatenate([each.meant.value for each in beside])
    temp_c = np.interp(piece.meant.time_ms, time[order], value[order])
    return replace(piece, meant=_where(piece.meant, temp_c > 0.0))


def _log(connection: Connection, to_ms: int) -> list[LogEntry]:
    """The last year's entries, and of all time those of worms and harvests; oldest first."""
    from_ms = to_ms - LOG_BACK_DAYS * DAY_MS
    found = keepers_log.entries(connection, from_ms, to_ms - 1)
    for kind in _KEPT_LONG:
        found += keepers_log.entries(connection, 0, from_ms - 1, kind=kind)
    return sorted(found, key=lambda entry: (entry.at_ms, entry.id))


def _own(readings: Readings, channels: Mapping[int, Channel], probe_id: str, to_ms: int) -> Own:
    nothing = Series(np.empty(0, np.int64), np.empty(0))
    found: dict[Quantity, tuple[Series, str]] = {}
    for channel in channels.values():
        if channel.probe_id == probe_id and channel.quantity in (Quantity.BATTERY, Quantity.SIGNAL):
            means = readings.buckets(channel.id, to_ms - OWN_DAYS * DAY_MS, to_ms - 1, OWN_DAYS)
            if len(means.time_ms):
                found[channel.quantity] = (Series(means.time_ms, means.mean), channel.unit)
    battery, unit = found.get(Quantity.BATTERY, (nothing, ""))
    return Own(battery, unit, found.get(Quantity.SIGNAL, (nothing, ""))[0])
