"""Comparing a channel with a twin: another of the same kind, in the same place."""

from typing import Annotated

import numpy as np
from fastapi import APIRouter, HTTPException, Query

from underlid.model import Channel, Placement, Twin
from underlid.rules.probe_suspect import COMPARED, drift
from underlid.rules.signals import thinned
from underlid.rules.situation import LOOK_BACK_H, Sensor
from underlid.science.timeline import beside
from underlid.situations import twin_series
from underlid.store import catalogue
from underlid.store.ledger import Connection
from underlid.survey import CLOCK_AHEAD_MS, HOUR_MS, take_survey
from underlid.web.context import Context, Ctx
from underlid.web.edge import Id, milliseconds
from underlid.web.placing import EVER_MS
from underlid.web.problems import not_found
from underlid.web.shapes import ComparisonShape, TwinNew, TwinShape

router = APIRouter(prefix="/channels/{channel_id}/twin", tags=["channels"])

Points = Annotated[int, Query(ge=10, le=2000)]


@router.get("")
def compare(ctx: Ctx, channel_id: Id, points: Points = 300) -> ComparisonShape | None:
    """Both since they are compared, at most a week, at the channel's times, and how they part; null: no twin."""
    now_ms = ctx.clock()
    with ctx.ledger.reading() as connection:
        channel = _channel(connection, channel_id)
        survey = take_survey(connection, now_ms)
    twin = survey.twins.get(channel_id)
    other = twin_series(survey, ctx.readings, channel_id, now_ms)
    if twin is None or other is None:
        return None
    from_ms = max(now_ms - LOOK_BACK_H * HOUR_MS, twin.from_ms)
    own = ctx.readings.window(channel_id, from_ms, now_ms + CLOCK_AHEAD_MS)
    found = drift(Sensor(channel_id, None, channel.quantity, channel.unit, own, other))
    shown = thinned(own, max((now_ms - from_ms) // points, 1))
    others = beside((other.series.hours(now_ms), other.series.value), shown.hours(now_ms))
    apart = shown.value - others
    both = apart[np.isfinite(apart)]
    return ComparisonShape(
        channel=channel_id,
        twin=twin.twin_id,
        twin_name=other.name,
        quantity=channel.quantity,
        unit=channel.unit,
        since=twin.from_ms,
        time=shown.time_ms.tolist(),
        own=shown.value.tolist(),
        other=[value if np.isfinite(value) else None for value in others.tolist()],
        difference=[value if np.isfinite(value) else None for value in apart.tolist()],
        apart=float(np.median(both)) if len(both) else None,
        drift_per_day=found.per_day if found else None,
        drifting=found.drifting if found else False,
    )


@router.put("")
def set_twin(ctx: Ctx, channel_id: Id, new: TwinNew) -> TwinShape:
    """Compare a channel with another from now on; two that sit side by side already, since they do."""
    since_ms = milliseconds(new.since) if new.since else None
    if since_ms is not None and since_ms > ctx.clock() + CLOCK_AHEAD_MS:
        raise HTTPException(422, "'since' lies in the future; two are compared from now or from earlier on.")
    with ctx.ledger.writing() as connection:
        channel, other = _channel(connection, channel_id), _channel(connection, new.channel)
        if channel.id == other.id:
            raise HTTPException(422, "A channel can't be its own twin; name another.")
        if channel.quantity not in COMPARED:
            what = ", ".join(COMPARED)
            raise HTTPException(422, f"Channel {channel_id} gives {channel.quantity}; compared are {what}.")
        if (channel.quantity, channel.unit) != (other.quantity, other.unit):
            words = (
                f"{other.quantity} in {other.unit}, channel {channel_id} {channel.quantity} in {channel.unit}"
            )
            raise HTTPException(422, f"Channel {other.id} gives {words}; a twin gives the same.")
        if since_ms is None:
            since_ms = _side_by_side(ctx, catalogue.placements(connection, now_only=True), channel, other)
        twin = Twin(channel.id, other.id, since_ms)
        catalogue.save_twin(connection, twin)
    _tell(ctx, channel)
    return TwinShape(channel=twin.twin_id, since=twin.from_ms)


@router.delete("", status_code=204)
def end_twin(ctx: Ctx, channel_id: Id) -> None:
    """Compare it no longer."""
    with ctx.ledger.writing() as connection:
        channel = _channel(connection, channel_id)
        catalogue.end_twin(connection, channel_id)
    _tell(ctx, channel)


def _tell(ctx: Context, channel: Channel) -> None:
    ctx.everything_changed()
    ctx.nudge("channel", str(channel.id))
    ctx.nudge("probe", channel.probe_id)


def _side_by_side(ctx: Context, placements: list[Placement], channel: Channel, other: Channel) -> int:
    """Since when both sit at the position at which they sit now; now, where that is not the same."""
    sits = {placed.channel_id: placed for placed in placements}
    one, two = sits.get(channel.id), sits.get(other.id)
    if one is None or two is None or (one.subject, one.position) != (two.subject, two.position):
        return ctx.clock()
    since_ms = max(one.from_ms, two.from_ms)
    if since_ms != EVER_MS:
        return since_ms
    return max(ctx.readings.first_ms([each.id]) or ctx.clock() for each in (channel, other))


def _channel(connection: Connection, channel_id: int) -> Channel:
    for channel in catalogue.channels(connection):
        if channel.id == channel_id:
            return channel
    raise not_found("channel", channel_id)
