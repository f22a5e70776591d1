"""Readings of a channel, thinned for charts."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query

from underlid.store import catalogue
from underlid.web.context import Ctx
from underlid.web.edge import Id, milliseconds
from underlid.web.problems import not_found
from underlid.web.shapes import ReadingsShape

router = APIRouter(tags=["readings"])


@router.get("/readings")
def get_readings(
    ctx: Ctx,
    channel: Id,
    from_: Annotated[datetime, Query(alias="from")],
    to: datetime | None = None,
    points: Annotated[int, Query(ge=1, le=5000)] = 800,
    trim: bool = False,
) -> ReadingsShape:
    """At most `points` buckets of lowest, mean and highest; those without a reading are left out.

    With `trim` the range begins at the first reading where that is later, so that its points are not spent before.
    """
    from_ms = milliseconds(from_)
    to_ms = milliseconds(to) if to else ctx.clock()
    if to_ms < from_ms:
        raise HTTPException(422, "'to' lies before 'from'.")
    with ctx.ledger.reading() as connection:
        known = {each.id: each for each in catalogue.channels(connection)}
    if channel not in known:
        raise not_found("channel", channel)
    if trim and (first_ms := ctx.readings.first_ms([channel])) is not None:
        from_ms = min(max(from_ms, first_ms), to_ms)
    found = ctx.readings.buckets(channel, from_ms, to_ms, points)
    return ReadingsShape(
        channel=channel,
        unit=known[channel].unit,
        quantity=known[channel].quantity,
        time=found.time_ms.tolist(),
        low=found.low.tolist(),
        mean=found.mean.tolist(),
        high=found.high.tolist(),
        count=found.count.tolist(),
    )
