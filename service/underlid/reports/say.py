"""Figures and times as a report says them."""

from collections.abc import Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from underlid.model import LogKind, Position, Quantity
from underlid.reports.report import (
    AlarmLine,
    Figures,
    Foretold,
    Frost,
    LogLine,
    PositionReport,
    Task,
    WeeklyReport,
)
from underlid.rules.words import POSITION_WORDS, hours

UNITS = {"Cel": "°C", "%": "%", "%RH": "%"}
QUANTITIES = {
    Quantity.MOISTURE: "moisture",
    Quantity.TEMPERATURE: "temperature",
    Quantity.HUMIDITY: "humidity",
}
DID: dict[LogKind, str] = {
    "fed": "fed",
    "wetted": "wetted",
    "turned": "turned",
    "bedding": "bedding added",
    "harvest": "harvested",
    "split": "split",
    "worms": "worms",
    "seen": "seen",
    "lid": "lid",
}
DASH = "–"
RULE = (
    "Time in range counts by time, not by readings: a reading stands until the next one. A silence longer than three "
    "of the channel's usual spacings (and than half an hour) is unknown but for one spacing, and unknown time "
    "belongs to no share."
)


def number(value: float | None, digits: int = 1) -> str:
    """'−3.5'; a dash for what is not known."""
    return DASH if value is None else f"{value:.{digits}f}".replace("-", "\N{MINUS SIGN}")


def share(value: float | None) -> str:
    """Per cent: whole, but nothing short of everything is called 100 nor anything above nothing 0."""
    if value is None:
        return DASH
    if 99.5 <= value < 100.0 or 0.0 < value < 0.5:
        return f"{value:.1f} %"
    return f"{value:.0f} %"


def unit(of: PositionReport) -> str:
    return UNITS.get(of.unit, of.unit)


def where(of: PositionReport) -> str:
    """'top moisture'."""
    place = "" if of.position is Position.AIR else f"{POSITION_WORDS[of.position]} "
    return f"{place}{QUANTITIES[of.quantity]}"


def moment(time_ms: int, zone: str) -> str:
    """'Tue 17 Nov, 06:10' on the clocks of a zone."""
    at = datetime.fromtimestamp(time_ms / 1000, ZoneInfo(zone))
    return f"{at:%a} {at.day} {at:%b}, {at:%H:%M}"


def short(time_ms: int, zone: str) -> str:
    """'Tue 06:10', within a week."""
    return f"{datetime.fromtimestamp(time_ms / 1000, ZoneInfo(zone)):%a %H:%M}"


def day(of: date) -> str:
    """'7 Nov 2026'."""
    return f"{of.day} {of:%b %Y}"


def day_at(time_ms: int, zone: str) -> date:
    return datetime.fromtimestamp(time_ms / 1000, ZoneInfo(zone)).date()


def span(start_ms: int, end_ms: int, zone: str) -> str:
    """'16 to 22 November 2026': the days from a start to what ends at a moment."""
    first = datetime.fromtimestamp(start_ms / 1000, ZoneInfo(zone))
    last = datetime.fromtimestamp((end_ms - 1) / 1000, ZoneInfo(zone))
    head = f"{first.day}" if first.month == last.month else f"{first.day} {first:%B}"
    year = "" if first.year == last.year else f" {first.year}"
    return f"{head}{year} to {last.day} {last:%B} {last.year}"


def trend(figures: Figures, of: PositionReport) -> str:
    """'falling 0.8 % a day'."""
    if figures.trend in ("unknown", "steady") or figures.trend_per_day is None:
        return {"unknown": DASH}.get(figures.trend, figures.trend)
    return f"{figures.trend} {abs(figures.trend_per_day):.1f} {unit(of)} a day"


def dealt(alarm: AlarmLine) -> str:
    """What became of an alarm."""
    if alarm.dealt_h is None:
        return "nobody answered; it stands"
    taken_on = alarm.acknowledged is not None and (
        alarm.returned is None or alarm.acknowledged <= alarm.returned
    )
    said = f"{'taken on' if taken_on else 'over by itself'} after {hours(alarm.dealt_h)}"
    return f"{said}; it stands" if alarm.standing else said


def came(foretold: Foretold) -> str:
    """What came of a forecast, beside what was told."""
    told = f"foreseen in {hours(foretold.eta_h)}"
    return (
        f"{told}; it came after {hours(foretold.came_h)}"
        if foretold.came_h is not None
        else f"{told}; {foretold.outcome}"
    )


def entry(line: LogLine) -> str:
    """'fed 1.4 kg vegetable trimmings'."""
    amount = (
        f"{line.kg:g} kg" if line.kg is not None else f"{line.litres:g} L" if line.litres is not None else ""
    )
    return " ".join(part for part in (DID[line.kind], amount, line.what) if part)


def tasks(of: Sequence[Task]) -> list[tuple[str, str]]:
    """What is to be done, each thing once with the names of all that ask for it: (names, words)."""
    together: dict[str, list[str]] = {}
    for each in of:
        by = f" (by {each.by:%a} {each.by.day} {each.by:%b})" if each.by is not None else ""
        together.setdefault(f"{each.words}{by}", []).append(each.name)
    return [(", ".join(dict.fromkeys(names)), words) for words, names in together.items()]


def left_out(report: WeeklyReport) -> str:
    """'For 12 of 30 feedings no forecast was worked out: ...'; '' where none was left out."""
    heatings = [heating for thing in report.things for heating in thing.heatings]
    count = sum(heating.forecast_left_out for heating in heatings)
    if not count:
        return ""
    return (
        f"For {count} of {len(heatings)} feedings no forecast was worked out: of a large farm only for those that "
        "were warmest 6 h after the feeding."
    )


def by_air(of: Frost) -> str:
    return " (estimated from the air, as no probe is in it)" if of.from_air else ""


def frost(of: Frost) -> str:
    said = f"{of.below_h:.1f} h at or below {number(of.limit_c, 0)} °C"
    return said + (f", {of.hard_frozen_h:.1f} h at or below \N{MINUS SIGN}18 °C" if of.hard_frozen_h else "")
