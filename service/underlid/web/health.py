"""Is everything well, what was refused, and the metrics."""

from typing import Literal

from fastapi import APIRouter, Response
from fastapi.responses import PlainTextResponse
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest

from underlid.store import catalogue, outbox, quarantine
from underlid.web.context import Ctx, Me
from underlid.web.edge import Id
from underlid.web.farm import Limit
from underlid.web.problems import PROBLEM
from underlid.web.shapes import Health, Page, RejectShape

router = APIRouter(tags=["health"])
api_router = APIRouter(tags=["quarantine"])

TAKES_IN = ("broker", "intake")


@router.get("/healthz", responses={503: {"model": Health, "content": PROBLEM}})
def health(ctx: Ctx, me: Me, response: Response) -> Health:
    """200 while every part is well, else 503; the parts say in words what is wrong, to those who may look."""
    return _health(ctx, me, response, ctx.parts())


@router.get("/healthz/ready", responses={503: {"model": Health, "content": PROBLEM}})
def ready(ctx: Ctx, me: Me, response: Response) -> Health:
    """200 while what probes say is taken in, else 503: of what needs a hand, such as a target that fails, it asks
    nothing."""
    return _health(ctx, me, response, {name: part for name, part in ctx.parts().items() if name in TAKES_IN})


def _health(ctx: Ctx, me: Me, response: Response, parts: dict[str, tuple[bool, str]]) -> Health:
    well = all(is_well for is_well, _ in parts.values())
    if not well:
        response.status_code = 503
    status: Literal["ok", "degraded"] = "ok" if well else "degraded"
    not_well = [name for name, (is_well, _) in parts.items() if not is_well]
    if me is None:
        told = {name: "well" if is_well else "not well" for name, (is_well, _) in parts.items()}
        return Health(
            status=status,
            parts=told,
            not_well=not_well,
            last_reading=None,
            oldest_unsent_message=None,
            quarantined=None,
        )
    with ctx.ledger.reading() as connection:
        channels = [channel.id for channel in catalogue.channels(connection)]
        unsent = outbox.oldest_unsent_ms(connection)
        quarantined = quarantine.count(connection)
    latest = ctx.readings.latest(channels).values()
    return Health(
        status=status,
        parts={name: words for name, (_, words) in parts.items()},
        not_well=not_well,
        last_reading=max((reading.received_ms for reading in latest), default=None),
        oldest_unsent_message=unsent,
        quarantined=quarantined,
    )


@router.get("/healthz/live", status_code=204)
async def alive() -> None:
    """204 while the event loop turns, whatever else is wrong: restart the service only where this fails."""


@router.get("/metrics", response_class=PlainTextResponse)
def metrics() -> Response:
    """Counters and timings in the Prometheus text format."""
    return Response(generate_latest(), media_type=CONTENT_TYPE_LATEST)


@api_router.get("/quarantine")
def list_quarantine(ctx: Ctx, limit: Limit = 100, after: Id | None = None) -> Page[RejectShape]:
    """Messages that could not be used, newest first."""
    with ctx.ledger.reading() as connection:
        rejects = quarantine.rejects(connection, limit + 1, after)
    items = [
        RejectShape(
            id=reject.id,
            topic=reject.topic,
            reason=reject.reason,
            size=reject.size,
            times=reject.times,
            received=reject.received_ms,
            payload_start=reject.payload[:200].decode("ascii", "backslashreplace"),
        )
        for reject in rejects[:limit]
    ]
    return Page(items=items, next=str(items[-1].id) if len(rejects) > limit else None)
