"""How good the alarms are, beside the benchmarks of the standards."""

from dataclasses import asdict
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query

from underlid.rules.performance import DAY_MS, SOURCE, performance
from underlid.rules.spells import spells
from underlid.store import alarms as alarm_store
from underlid.web.context import Ctx
from underlid.web.edge import milliseconds
from underlid.web.shapes import BenchmarkShape, PerformanceShape, RulePerformanceShape

router = APIRouter(prefix="/alarm-performance", tags=["alarms"])

USUAL_DAYS = 30


@router.get("")
def alarm_performance(
    ctx: Ctx,
    from_: Annotated[datetime | None, Query(alias="from")] = None,
    to: datetime | None = None,
    keepers: Annotated[int, Query(ge=1, le=100)] = 1,
) -> PerformanceShape:
    """Of the last 30 days, unless told otherwise."""
    to_ms = milliseconds(to) if to else ctx.clock()
    from_ms = milliseconds(from_) if from_ else to_ms - USUAL_DAYS * DAY_MS
    if to_ms <= from_ms:
        raise HTTPException(422, "'to' must be later than 'from'.")
    with ctx.ledger.reading() as connection:
        found = spells(alarm_store.transitions(connection, from_ms, to_ms))
    told = performance(found, from_ms, to_ms, keepers)
    return PerformanceShape(
        from_=from_ms,
        to=to_ms,
        days=told.days,
        keepers=told.keepers,
        alarms=told.alarms,
        a_day=told.a_day,
        by_priority=told.by_priority,
        source=SOURCE,
        benchmarks=[BenchmarkShape(**asdict(each), is_met=each.is_met) for each in told.benchmarks],
        rules=[RulePerformanceShape(**asdict(each)) for each in told.rules],
    )
