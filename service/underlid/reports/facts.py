"""What is known of a bin besides its readings: worms, food still uneaten, when it is ready, when to split it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from underlid.model import Bin, LogEntry, Quantity, Series, Subject, SubjectKind
from underlid.reports.bedding import DAY_MS, daily_course
from underlid.reports.stock import (
    FOOD_BACK_DAYS,
    NEVER_MEASURED_PCT_WB,
    Worms,
    begun_ms,
    food_left,
    history_from_ms,
    ready,
    worms,
)
from underlid.science.husbandry import (
    FoodLeft,
    Ready,
    SplitAdvice,
    ration_kg_per_day,
    ration_range_kg_per_day,
    split_advice,
)
from underlid.store import catalogue
from underlid.store import log as keepers_log
from underlid.store.ledger import Connection
from underlid.store.readings import Readings

_WEEK_DAYS = 7


@dataclass(frozen=True, slots=True)
class BinFacts:
    """None where no thermometer has told how warm the bedding was; times in hours from `begun_ms`."""

    begun_ms: int  # started, or harvested last
    worms: Worms
    food: FoodLeft | None
    ration_kg_per_day: tuple[float, float, float] | None  # likely, least, most
    ready: Ready | None
    split: SplitAdvice | None


def bin_facts(connection: Connection, readings: Readings, bin_: Bin, now_ms: int) -> BinFacts:
    subject = Subject(SubjectKind.BIN, bin_.id)
    log = keepers_log.entries(connection, min(bin_.started_ms, now_ms), now_ms, subject)
    begun = begun_ms(bin_, log, now_ms)
    channels = {channel.id: channel for channel in catalogue.channels(connection)}
    placements = catalogue.placements(connection)

    def course(quantity: Quantity, from_ms: int) -> Series:
        return daily_course(readings, channels, placements, subject, quantity, from_ms, now_ms)

    warmth = course(Quantity.TEMPERATURE, history_from_ms(begun, now_ms))
    moisture = course(Quantity.MOISTURE, now_ms - _WEEK_DAYS * DAY_MS)
    wet = float(moisture.value.mean()) if len(moisture) else NEVER_MEASURED_PCT_WB
    told = worms(bin_, log, warmth, now_ms, wet)
    if not len(warmth):
        return BinFacts(begun, told, None, None, None, None)
    lately = float(warmth.since(int(warmth.time_ms[-1]) - _WEEK_DAYS * DAY_MS).value.mean())
    likely = told.now.worm_kg
    return BinFacts(
        begun,
        told,
        _food(log, warmth, now_ms),
        (ration_kg_per_day(likely, lately, wet), *ration_range_kg_per_day(likely, lately, wet)),
        ready(warmth, begun, now_ms),
        split_advice(likely, bin_.length_m * bin_.width_m, lately, wet),
    )


def _food(log: Sequence[LogEntry], warmth: Series, now_ms: int) -> FoodLeft | None:
    """What is left of all that was fed and weighed; None where nothing was."""
    since_ms = now_ms - FOOD_BACK_DAYS * DAY_MS
    found = [food_left(e, warmth, now_ms) for e in log if e.kind == "fed" and e.at_ms >= since_ms]
    known = [each for each in found if each is not None]
    if not known:
        return None
    return FoodLeft(
        np.sum([each.kg for each in known]),
        np.sum([each.low_kg for each in known]),
        np.sum([each.high_kg for each in known]),
    )
