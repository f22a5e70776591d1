"""How good alarms are: the measures of ISA-18.2-2016 / IEC 62682:2014 for monitoring an alarm system. Pure.

The benchmark figures are those standards' for one operating position, from memory. They were set for people who sit
before a console all day: for a keeper they are what must not be exceeded by far, not a target.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from underlid.model import Priority
from underlid.rules.spells import Spell

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
STALE_MS = DAY_MS  # up for so long without a break
CHATTER, CHATTER_MS = 3, 10 * 60_000  # so many beginnings within so long
FLOOD, FLOOD_MS = 10, 10 * 60_000  # more than so many alarms in one such period are a flood

SOURCE = "ISA-18.2-2016 and IEC 62682:2014 (figures from memory)"


@dataclass(frozen=True, slots=True)
class Benchmark:
    """A figure beside what the standards call acceptable; `highest` is the most that is.

    a-day: alarms for each keeper and day. peak: the most in ten minutes. flood-share-pct: share of ten-minute periods
    with more than ten. stale: the most that were up for over a day at once. chattering: alarms that chattered.
    urgent-share-pct: share of the gravest priority.
    """

    name: str
    value: float
    highest: float

    @property
    def is_met(self) -> bool:
        return self.value <= self.highest


@dataclass(frozen=True, slots=True)
class RulePerformance:
    """One rule in the period. Leads: hours from a forecast's alarm until it came true. None: there is nothing yet."""

    rule: str
    alarms: int
    acknowledged: int
    acknowledged_after_h: float | None  # median
    stale: int
    chattering: int
    false: int
    forecasts: int
    came_true: int
    lead_h: float | None  # median
    least_lead_h: float | None  # 9 of 10 were longer


@dataclass(frozen=True, slots=True)
class Performance:
    days: float
    keepers: int
    alarms: int
    a_day: float  # for each keeper
    by_priority: dict[Priority, int]
    benchmarks: tuple[Benchmark, ...]
    rules: tuple[RulePerformance, ...]


def performance(found: Sequence[Spell], from_ms: int, to_ms: int, keepers: int = 1) -> Performance:
    """Figures of the spells that began in a period. ValueError where it is empty or nobody keeps the farm."""
    if to_ms <= from_ms or keepers < 1:
        raise ValueError("the period must end after it begins, and somebody must keep the farm")
    days = (to_ms - from_ms) / DAY_MS
    begun = [spell for spell in found if from_ms <= spell.from_ms < to_ms]
    a_day = len(begun) / days / keepers
    counts = _per_period(begun, from_ms)
    periods = (to_ms - from_ms) / FLOOD_MS
    rules = sorted({spell.rule for spell in found})
    return Performance(
        days,
        keepers,
        len(begun),
        a_day,
        {priority: sum(spell.priority is priority for spell in begun) for priority in Priority},
        (
            Benchmark("a-day", a_day, 150.0),
            Benchmark("peak", float(max(counts, default=0)), float(FLOOD)),
            Benchmark(
                "flood-share-pct",
                100.0 * sum(count > FLOOD for count in counts) / periods,
                1.0,
            ),
            Benchmark(
                "stale",
                float(_most_stale(found, from_ms, to_ms)),
                5.0,
            ),
            Benchmark("chattering", float(sum(_chattering(begun, rule) for rule in rules)), 0.0),
            Benchmark(
                "urgent-share-pct",
                100.0 * sum(s.priority is Priority.URGENT for s in begun) / max(len(begun), 1),
                5.0,
            ),
        ),
        tuple(_of_rule(rule, [s for s in begun if s.rule == rule], to_ms) for rule in rules),
    )


def _of_rule(rule: str, begun: list[Spell], now_ms: int) -> RulePerformance:
    waits = [(s.acknowledged_ms - s.from_ms) / HOUR_MS for s in begun if s.acknowledged_ms is not None]
    leads = [(s.true_ms - s.from_ms) / HOUR_MS for s in begun if s.forecast and s.true_ms is not None]
    return RulePerformance(
        rule=rule,
        alarms=len(begun),
        acknowledged=len(waits),
        acknowledged_after_h=median(waits) if waits else None,
        stale=sum((s.to_ms or now_ms) - s.from_ms > STALE_MS for s in begun),
        chattering=_chattering(begun, rule),
        false=sum(s.false_ms is not None for s in begun),
        forecasts=sum(s.forecast for s in begun),
        came_true=len(leads),
        lead_h=median(leads) if leads else None,
        least_lead_h=float(np.quantile(leads, 0.1)) if leads else None,
    )


def _chattering(begun: Iterable[Spell], rule: str) -> int:
    """How many alarms of the rule began three times or more within ten minutes."""
    times: dict[object, list[int]] = {}
    for spell in begun:
        if spell.rule == rule:
            times.setdefault(spell.subject, []).append(spell.from_ms)
    return sum(
        any(later - first <= CHATTER_MS for first, later in zip(one, one[CHATTER - 1 :], strict=False))
        for one in map(sorted, times.values())
    )


def _per_period(begun: Iterable[Spell], from_ms: int) -> list[int]:
    counts: dict[int, int] = {}
    for spell in begun:
        period = (spell.from_ms - from_ms) // FLOOD_MS
        counts[period] = counts.get(period, 0) + 1
    return list(counts.values())


def _most_stale(found: Iterable[Spell], from_ms: int, to_ms: int) -> int:
    """The most alarms that were up for more than a day at once, looked at once a day."""
    looks = range(to_ms, from_ms, -DAY_MS)
    known = list(found)
    return max(
        (
            sum(s.from_ms < look - STALE_MS and (s.to_ms is None or s.to_ms > look) for s in known)
            for look in looks
        ),
        default=0,
    )
