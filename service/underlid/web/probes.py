"""Probes as they were seen, and where their channels sit."""

from collections.abc import Mapping, Set
from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter, HTTPException
from pydantic import Field

from underlid.model import Channel, Placement, Probe, Reading, Subject, SubjectKind, Twin
from underlid.rules.probe_health import from_json as health_from_json
from underlid.store import alarms as alarm_store
from underlid.store import calibrations, catalogue
from underlid.store.ledger import Connection
from underlid.survey import CLOCK_AHEAD_MS
from underlid.web.context import Context, Ctx
from underlid.web.edge import milliseconds, page_of
from underlid.web.farm import Limit
from underlid.web.placing import EVER_MS, FITS, fitting, measured_at, suggest
from underlid.web.problems import not_found
from underlid.web.shapes import (
    ChannelShape,
    LatestShape,
    Page,
    PlacementNew,
    PlacementShape,
    ProbeHealthShape,
    ProbeShape,
    Shape,
    SubjectShape,
    SuggestionShape,
    TwinShape,
    Unretire,
)

router = APIRouter(prefix="/probes", tags=["probes"])


class ProbeChange(Shape):
    name: str = Field(min_length=1, max_length=80)


@router.get("")
def list_probes(
    ctx: Ctx, retired: bool = False, limit: Limit = 500, after: str | None = None
) -> Page[ProbeShape]:
    """Those in use, or those that were retired."""
    with ctx.ledger.reading() as connection:
        probes = [p for p in catalogue.probes(connection) if (p.retired_ms is not None) is retired]
        chosen, following = page_of(probes, lambda probe: probe.id, limit, after)
        return Page(items=_shapes(ctx, connection, chosen), next=following)


@router.get("/{probe_id}")
def get_probe(ctx: Ctx, probe_id: str) -> ProbeShape:
    with ctx.ledger.reading() as connection:
        return _shapes(ctx, connection, [_probe(connection, probe_id)])[0]


@router.patch("/{probe_id}")
def rename_probe(ctx: Ctx, probe_id: str, change: ProbeChange) -> ProbeShape:
    with ctx.ledger.writing() as connection:
        probe = _probe(connection, probe_id)
        catalogue.save_probe(connection, replace(probe, name=change.name))
    ctx.nudge("probe", probe_id)
    return get_probe(ctx, probe_id)


@router.post("/{probe_id}/placement")
def place_probe(ctx: Ctx, probe_id: str, new: PlacementNew) -> ProbeShape:
    """Put a probe's channels at a position; where they sat before, they sat until then.

    A channel that sits there already goes on as it does, whatever `since` says. One that sat nowhere yet sits
    there since its first reading.
    """
    subject = Subject(new.subject.kind, new.subject.id)
    if new.position not in FITS.get(subject.kind, ()):
        right = ", ".join(sorted(FITS.get(subject.kind, ()))) or "no position"
        raise HTTPException(422, f"'{new.position}' does not fit a {subject.kind}; right would be {right}.")
    since_ms = milliseconds(new.since) if new.since else None
    if since_ms is not None and since_ms > ctx.clock() + CLOCK_AHEAD_MS:
        raise HTTPException(422, "'since' lies in the future; a probe is placed from now or from earlier on.")
    with ctx.ledger.writing() as connection:
        if subject not in catalogue.names(connection):
            raise not_found(subject.kind.value.replace("-", " "), subject.id)
        if _probe(connection, probe_id).retired_ms is not None:
            raise HTTPException(409, f"{probe_id} is retired; bring it back before you place it.")
        channels = _chosen(catalogue.channels(connection), probe_id, new)
        placements = catalogue.placements(connection)
        placed_before = {placement.channel_id for placement in placements}
        # One that begins in the future, by a clock that has been set back since, does not sit there yet.
        sits = {
            p.channel_id: (p.subject, p.position)
            for p in placements
            if p.to_ms is None and p.from_ms <= ctx.clock() + CLOCK_AHEAD_MS
        }
        for channel in channels:
            if sits.get(channel.id) == (subject, new.position):
                continue
            if since_ms is not None:
                from_ms = since_ms
            elif channel.id in placed_before:
                from_ms = ctx.clock()
            else:
                from_ms = EVER_MS
            catalogue.place_channel(connection, channel.id, subject, new.position, from_ms)
    ctx.everything_changed()
    ctx.nudge("probe", probe_id)
    return get_probe(ctx, probe_id)


@router.delete("/{probe_id}/placement")
def take_out_probe(ctx: Ctx, probe_id: str) -> ProbeShape:
    """Take every channel of a probe out of where it sits, from now on."""
    with ctx.ledger.writing() as connection:
        _probe(connection, probe_id)
        for channel in catalogue.channels(connection):
            if channel.probe_id == probe_id:
                catalogue.take_out_channel(connection, channel.id, ctx.clock())
    ctx.everything_changed()
    ctx.nudge("probe", probe_id)
    return get_probe(ctx, probe_id)


@router.post("/{probe_id}/retire")
def retire_probe(ctx: Ctx, probe_id: str) -> ProbeShape:
    """Take a probe out for good: it is judged no longer, and what it has said stays."""
    with ctx.ledger.writing() as connection:
        probe = _probe(connection, probe_id)
        if probe.retired_ms is not None:
            raise HTTPException(409, f"{probe_id} is retired already.")
        now_ms = ctx.clock()
        for channel in catalogue.channels(connection):
            if channel.probe_id == probe_id:
                catalogue.take_out_channel(connection, channel.id, now_ms)
        catalogue.save_probe(connection, replace(probe, retired_ms=now_ms))
    ctx.everything_changed()
    ctx.nudge("probe", probe_id)
    return get_probe(ctx, probe_id)


@router.post("/{probe_id}/unretire")
def unretire_probe(ctx: Ctx, probe_id: str, body: Unretire | None = None) -> ProbeShape:
    """Bring a retired probe back, to be placed anew or put back where it sat."""
    with ctx.ledger.writing() as connection:
        probe = _probe(connection, probe_id)
        if probe.retired_ms is None:
            raise HTTPException(409, f"{probe_id} is not retired.")
        if body is not None and body.put_back:
            own = [c.id for c in catalogue.channels(connection) if c.probe_id == probe_id]
            catalogue.put_back_channels(connection, own, probe.retired_ms)
        catalogue.save_probe(connection, replace(probe, retired_ms=None))
    ctx.everything_changed()
    ctx.nudge("probe", probe_id)
    return get_probe(ctx, probe_id)


def _chosen(channels: list[Channel], probe_id: str, new: PlacementNew) -> list[Channel]:
    """The named channels, else those that fit the position and whose names don't speak of another."""
    own = [channel for channel in channels if channel.probe_id == probe_id]
    if new.channels is not None:
        unknown = set(new.channels) - {channel.name for channel in own}
        if unknown:
            known = ", ".join(channel.name for channel in own)
            raise HTTPException(422, f"'{min(unknown)}' is no channel of {probe_id}; known are {known}.")
        return [channel for channel in own if channel.name in new.channels]
    chosen = fitting(own, new.position)
    if not chosen:
        what = " or ".join(sorted(measured_at(new.position)))
        raise HTTPException(422, f"{probe_id} has no channel of {what} for the position '{new.position}'.")
    return chosen


def _probe(connection: Connection, probe_id: str) -> Probe:
    for probe in catalogue.probes(connection):
        if probe.id == probe_id:
            return probe
    raise not_found("probe", probe_id)


@dataclass(frozen=True, slots=True)
class _Known:
    """What there is to be said of probes besides themselves."""

    things: Mapping[Subject, str]
    placements: Mapping[int, Placement]
    twins: Mapping[int, Twin]
    calibrated: Set[int]
    latest: Mapping[int, Reading]
    health: Mapping[str, Mapping[str, Any]]


def _shapes(ctx: Context, connection: Connection, probes: list[Probe]) -> list[ProbeShape]:
    by_probe: dict[str, list[Channel]] = {probe.id: [] for probe in probes}
    for channel in catalogue.channels(connection):
        if channel.probe_id in by_probe:
            by_probe[channel.probe_id].append(channel)
    known = _Known(
        things={s: name for s, name in catalogue.names(connection).items() if s.kind in FITS},
        placements={p.channel_id: p for p in catalogue.placements(connection, now_only=True)},
        twins=catalogue.twins(connection),
        calibrated=calibrations.calibrated(connection),
        latest=ctx.readings.latest([channel.id for own in by_probe.values() for channel in own]),
        health=alarm_store.conditions(connection, SubjectKind.PROBE),
    )
    return [_shape(probe, by_probe[probe.id], known) for probe in probes]


def _shape(probe: Probe, channels: list[Channel], known: _Known) -> ProbeShape:
    latest = known.latest
    last_seen = max([latest[c.id].received_ms for c in channels if c.id in latest], default=None)
    retired_ms = probe.retired_ms
    sits = any(channel.id in known.placements for channel in channels)
    return ProbeShape(
        id=probe.id,
        name=probe.name,
        first_seen=probe.first_seen_ms,
        last_seen=last_seen,
        online=probe.online,
        retired=retired_ms,
        speaks_retired=retired_ms is not None and last_seen is not None and last_seen > retired_ms,
        channels=[
            ChannelShape(
                id=channel.id,
                name=channel.name,
                quantity=channel.quantity,
                unit=channel.unit,
                latest=_latest(latest.get(channel.id)),
                placement=_placement(known.placements.get(channel.id)),
                twin=_twin(known.twins.get(channel.id)),
                calibrated=channel.id in known.calibrated,
            )
            for channel in channels
        ],
        suggestion=None if retired_ms is not None else _suggestion(probe, channels, known),
        health=_health(known.health.get(probe.id)) if sits else None,
    )


def _suggestion(probe: Probe, channels: list[Channel], known: _Known) -> SuggestionShape | None:
    unplaced = [channel for channel in channels if channel.id not in known.placements]
    found = suggest(probe.id, probe.name, unplaced, known.things)
    sits = {known.placements[c.id].subject for c in channels if c.id in known.placements}
    if found is None:
        return None
    if sits and found.subject not in sits and found.because[0] in (probe.id, probe.name):
        return None  # somebody has put it elsewhere than its name says
    return SuggestionShape(
        subject=SubjectShape(kind=found.subject.kind, id=found.subject.id),
        position=found.position,
        channels=list(found.channels),
        because=list(found.because),
    )


def _health(stored: Mapping[str, Any] | None) -> ProbeHealthShape | None:
    if stored is None:
        return None
    return ProbeHealthShape.model_validate(health_from_json(stored), from_attributes=True)


def _twin(twin: Twin | None) -> TwinShape | None:
    return TwinShape(channel=twin.twin_id, since=twin.from_ms) if twin else None


def _latest(reading: Reading | None) -> LatestShape | None:
    return LatestShape(at=reading.time_ms, value=reading.value) if reading else None


def _placement(placement: Placement | None) -> PlacementShape | None:
    if placement is None:
        return None
    subject = SubjectShape(kind=placement.subject.kind, id=placement.subject.id)
    since_ms = None if placement.from_ms == EVER_MS else placement.from_ms
    return PlacementShape(subject=subject, position=placement.position, since=since_ms)
