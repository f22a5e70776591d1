"""What is to come of a bin: worms, ration, harvest, split; and what that and the week ask for."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np

from underlid.model import Bin, Position, Priority, Quantity, Subject, SubjectKind
from underlid.reports.bedding import DAY_MS, HOUR_MS
from underlid.reports.feeding import bed_course
from underlid.reports.material import Material
from underlid.reports.report import Food, Outlook, PositionReport, ProbeLine, Task
from underlid.reports.stock import NEVER_MEASURED_PCT_WB, begun_ms, ready, worms
from underlid.rules.words import amount
from underlid.science.husbandry import ration_kg_per_day, split_advice, worms_after

WEEKS_AHEAD = 4
FURTHEST_DAYS = 730.0  # nobody plans further, and no model of ours is good for that
_SOON_DAYS = 7.0
_BATTERY_DAYS = 14.0
_LEAST_FEED_KG = 0.1
_TOLD_MONTHS = (
    6.0  # a mass of worms told longer ago is more growth than knowledge (common practice, no source)
)
_MUCH = 1.5  # so many times its ration goes next week anyway


def outlook(material: Material, bin_: Bin) -> Outlook | None:
    """Growth, ration, harvest and split at the week's temperature and moisture; None where neither is known."""
    subject = Subject(SubjectKind.BIN, bin_.id)
    bed = material.bed(subject)
    held = bed.week if bed is not None else None
    if held is None or not held.known_ms:
        return None
    moist = material.bed(subject, Quantity.MOISTURE)
    known = moist is not None and moist.week.known_ms > 0
    wet = float(np.clip(moist.week.mean(), 0.0, 100.0)) if moist and known else NEVER_MEASURED_PCT_WB
    log, course, temp_c = material.log.get(subject, ()), bed_course(material, bin_), held.mean()
    area_m2 = bin_.length_m * bin_.width_m
    told = worms(bin_, log, course, material.to_ms, wet)
    least, likely, most = (
        worms_after(kg, 7.0 * WEEKS_AHEAD, area_m2, temp_c, wet, fed_kg_per_day=told.fed_kg_per_day)
        for kg in (told.now.low_kg, told.now.worm_kg, told.now.high_kg)
    )
    split = split_advice(told.now.worm_kg, area_m2, temp_c, wet)
    ration = 7.0 * float(ration_kg_per_day(told.now.worm_kg, temp_c, wet))
    begun = begun_ms(bin_, log, material.to_ms)
    castings = ready(course, begun, material.to_ms)
    zone = ZoneInfo(material.basis.farm.time_zone)

    def day(hours: float | None) -> date | None:
        """A day some hours after the beginning; None for none that can be foreseen."""
        furthest_h = (material.to_ms - begun) / HOUR_MS + FURTHEST_DAYS * 24.0
        return None if hours is None or hours > furthest_h else _date(begun + hours * HOUR_MS, zone)

    split_ms = material.to_ms + split.due_days * DAY_MS if split.due_days <= FURTHEST_DAYS else None
    return Outlook(
        worm_kg=round(told.now.worm_kg, 2),
        worm_told_kg=told.told_kg,
        worm_told=told.told_ms,
        worm_in_4_weeks_kg=round(likely.worm_kg, 2),
        worm_low_kg=round(least.low_kg, 2),
        worm_high_kg=round(most.high_kg, 2),
        ration_kg_per_week=round(ration, 2),
        harvest_share_pct=None if castings is None else round(100.0 * castings.share, 0),
        harvest_on=day(castings.ready_h if castings is not None else None),
        harvest_low=day(castings.low_h if castings is not None else None),
        harvest_high=day(castings.high_h if castings is not None else None),
        split_on=_date(split_ms, zone),
        split_due=split.due,
        density_kg_m2=round(split.density_kg_m2, 2),
        words=split.reason + ("" if known else "; moisture taken as 80 %, as no probe tells it"),
    )


def _date(at_ms: float | None, zone: ZoneInfo) -> date | None:
    return None if at_ms is None else datetime.fromtimestamp(at_ms / 1000, zone).date()


def tasks_of_bin(
    material: Material,
    bin_: Bin,
    positions: list[PositionReport],
    food: Food | None,
    ahead: Outlook | None,
    standing: set[str],
) -> list[Task]:
    """What a bin asks for next week besides its standing alarms (`standing` are their rules)."""
    zone = ZoneInfo(material.basis.farm.time_zone)

    def task(words: str, by: date | None = None, priority: Priority = Priority.ROUND) -> Task:
        return Task(
            subject_kind=SubjectKind.BIN,
            subject_id=bin_.id,
            name=bin_.name,
            priority=priority,
            by=by,
            words=words,
        )

    found = []
    dry = _dries(positions)
    if dry is not None and "top-drying" not in standing:
        days, per_day, limit = dry
        by = _date(material.to_ms + days * DAY_MS, zone)
        found.append(
            task(
                "Wet the top, or turn it under where it is wetter below: "
                f"it loses {amount(per_day)} points a day and will be at {limit:.0f} %.",
                by,
            )
        )
    if ahead is not None and ahead.ration_kg_per_week is not None:
        left, goes = (food.left_kg, food.goes_kg) if food is not None else (0.0, 0.0)
        give = ahead.ration_kg_per_week - goes
        if {"feed-heating", "too-warm"} & standing:
            found.append(task("Hold the feed until the heat is over."))
        elif give >= _LEAST_FEED_KG:
            found.append(task(f"Feed about {amount(give)} kg over the week; {amount(left)} kg is left."))
        elif goes > _MUCH * ahead.ration_kg_per_week:
            found.append(task(f"Do not feed: about {amount(left)} kg is left, more than it takes."))
    if ahead is not None and ahead.worm_told is not None:
        months = (material.to_ms - ahead.worm_told) / DAY_MS / 30.4
        if months > _TOLD_MONTHS:
            found.append(
                task(f"Weigh or guess its worms: what it takes is reckoned from {months:.0f} months ago.")
            )
    if ahead is not None and ahead.harvest_on is not None:
        latest = _date(material.to_ms + _SOON_DAYS * DAY_MS, zone)
        assert latest is not None
        if ahead.harvest_on <= latest:
            found.append(task("Castings should be ready: look, and harvest."))
    if ahead is not None and ahead.split_due:
        found.append(task(f"Split it: {amount(ahead.worm_kg / 2.0)} kg of worms can go to another bin."))
    return found


def _dries(positions: list[PositionReport]) -> tuple[float, float, float] | None:
    """Days until the top is at its lower limit, its fall per day, the limit; None where that is a week away."""
    for each in positions:
        if each.position is not Position.TOP or each.quantity is not Quantity.MOISTURE:
            continue
        week = each.this_week
        known = [value for value in each.curve if value is not None]
        if week is None or week.trend != "falling" or not week.trend_per_day or each.low is None or not known:
            return None
        days = (float(np.mean(known[-6:])) - each.low) / -week.trend_per_day
        if 0.0 <= days <= _SOON_DAYS:
            return days, -week.trend_per_day, each.low
    return None


def tasks_of_probe(probe: ProbeLine) -> list[Task]:
    def task(words: str) -> Task:
        return Task(
            subject_kind=SubjectKind.PROBE,
            subject_id=probe.id,
            name=probe.name,
            priority=Priority.ROUND,
            by=None,
            words=words,
        )

    found = []
    if probe.silent_at_end:
        found.append(task("It was silent at the week's end: look at its power, its Wi-Fi and its wiring."))
    if probe.battery_left_days is not None and probe.battery_left_days <= _BATTERY_DAYS:
        days = probe.battery_left_days
        left = f"about {days:.0f} days are left" if days >= 1.0 else "it is empty, or nearly"
        found.append(task(f"Charge or swap its battery: {left}."))
    return found
