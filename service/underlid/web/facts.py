"""Facts of a bin: its worms, the food still uneaten, when it is ready for harvest, and when to split it."""

import math

from fastapi import APIRouter

from underlid.reports.bedding import DAY_MS
from underlid.reports.facts import bin_facts
from underlid.store import catalogue
from underlid.web.context import Ctx
from underlid.web.problems import not_found
from underlid.web.shapes import FactsShape, RangeShape, ReadyShape, SplitShape, WormsShape

router = APIRouter(prefix="/bins", tags=["bins"])


@router.get("/{bin_id}/facts")
def get_facts(ctx: Ctx, bin_id: str) -> FactsShape:
    """Null where it can't be told: without a thermometer in the bedding, or without what was fed."""
    now_ms = ctx.clock()
    with ctx.ledger.reading() as connection:
        bin_ = next((each for each in catalogue.bins(connection) if each.id == bin_id), None)
        if bin_ is None:
            raise not_found("bin", bin_id)
        found = bin_facts(connection, ctx.readings, bin_, now_ms)
    worms, ready, split = found.worms, found.ready, found.split
    return FactsShape(
        begun=found.begun_ms,
        harvested=found.begun_ms > bin_.started_ms,
        worms=WormsShape(
            told_kg=worms.told_kg,
            told=worms.told_ms,
            by_log=worms.by_log,
            how=worms.how,
            now_kg=RangeShape(likely=worms.now.worm_kg, least=worms.now.low_kg, most=worms.now.high_kg),
        ),
        food_left_kg=RangeShape(
            likely=float(found.food.kg), least=float(found.food.low_kg), most=float(found.food.high_kg)
        )
        if found.food
        else None,
        ration_kg_per_day=RangeShape(
            likely=found.ration_kg_per_day[0],
            least=found.ration_kg_per_day[1],
            most=found.ration_kg_per_day[2],
        )
        if found.ration_kg_per_day
        else None,
        ready=ReadyShape(
            share=ready.share,
            likely=_at(found.begun_ms, ready.ready_h),
            earliest=_at(found.begun_ms, ready.low_h),
            latest=_at(found.begun_ms, ready.high_h),
        )
        if ready
        else None,
        split=SplitShape(
            due=split.due,
            likely_days=_finite(split.due_days),
            least_days=_finite(split.low_days),
            most_days=_finite(split.high_days),
            density_kg_m2=split.density_kg_m2,
            take_kg=split.take_kg,
            reason=split.reason,
        )
        if split
        else None,
    )


_FURTHEST_DAYS = 3650.0


def _finite(days: float) -> float | None:
    return days if math.isfinite(days) and days <= _FURTHEST_DAYS else None


def _at(begun_ms: int, hours: float) -> int | None:
    return None if _finite(hours / 24.0) is None else round(begun_ms + hours * DAY_MS / 24)
