"""Whom alarms are told: the targets, how they do, and a test message. Addresses hold secrets and stay inside."""

from fastapi import APIRouter

from underlid.store import outbox
from underlid.target import DAYS, Target
from underlid.web.context import Ctx
from underlid.web.problems import not_found
from underlid.web.shapes import Page, TargetShape, TrialShape

router = APIRouter(prefix="/notify/targets", tags=["notify"])


@router.get("")
def list_targets(ctx: Ctx) -> Page[TargetShape]:
    """In the order of the settings."""
    with ctx.ledger.reading() as connection:
        failing = outbox.failing(connection)
    return Page(items=[_shape(target, failing.get(target.name)) for target in ctx.targets])


@router.post("/{name}/test")
def try_target(ctx: Ctx, name: str) -> TrialShape:
    """Send a test message now, whatever the hour; waits for the target's answer, at most half a minute."""
    if name not in {target.name for target in ctx.targets}:
        raise not_found("target", name)
    error = ctx.try_target(name)
    return TrialShape(taken=error is None, error=error)


def _shape(target: Target, failing: outbox.Failing | None) -> TargetShape:
    return TargetShape(
        name=target.name,
        least=target.least,
        quiet=f"{_time(target.quiet[0])}-{_time(target.quiet[1])}" if target.quiet else None,
        breaks_quiet=target.breaks_quiet,
        digest=_time(target.digest) if target.digest is not None else None,
        daily=_time(target.daily) if target.daily is not None else None,
        weekly=f"{DAYS[target.weekly[0]].capitalize()} {_time(target.weekly[1])}" if target.weekly else None,
        time_zone=target.time_zone,
        failing_since=failing.since_ms if failing else None,
        last_error=failing.error if failing else None,
        waiting=failing.waiting if failing else 0,
    )


def _time(minute: int) -> str:
    return f"{minute // 60:02}:{minute % 60:02}"
