"""Calendar weeks of ISO 8601, Monday to Sunday, on the clocks of a farm."""

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from underlid.timeofday import moment_ms

_NAME = re.compile(r"(\d{4})-W(\d{2})", re.ASCII)
_FIRST_YEAR, _LAST_YEAR = 2000, 2200


@dataclass(frozen=True, slots=True)
class Week:
    """From Monday's midnight up to, not including, the next Monday's; 167 or 169 hours where clocks change."""

    monday: date
    zone: str

    @property
    def name(self) -> str:
        """As ISO 8601 writes it: 2026-W47."""
        year, number, _ = self.monday.isocalendar()
        return f"{year}-W{number:02}"

    @property
    def from_ms(self) -> int:
        return self.day_ms(self.monday)

    @property
    def to_ms(self) -> int:
        return self.day_ms(self.monday + timedelta(7))

    @property
    def days(self) -> tuple[date, ...]:
        return tuple(self.monday + timedelta(day) for day in range(7))

    @property
    def before(self) -> "Week":
        return Week(self.monday - timedelta(7), self.zone)

    @property
    def after(self) -> "Week":
        return Week(self.monday + timedelta(7), self.zone)

    def day_ms(self, day: date) -> int:
        """When a day of it begins."""
        return moment_ms(day, 0, ZoneInfo(self.zone))


def week_of(at_ms: int, zone: str) -> Week:
    """The week that a moment lies in."""
    day = datetime.fromtimestamp(at_ms / 1000, ZoneInfo(zone)).date()
    return Week(day - timedelta(day.weekday()), zone)


def week_named(name: str, zone: str) -> Week:
    """'2026-W47' as a week. Raises ValueError with what would be right."""
    found = _NAME.fullmatch(name)
    if found and _FIRST_YEAR <= int(found[1]) <= _LAST_YEAR:
        try:
            return Week(date.fromisocalendar(int(found[1]), int(found[2]), 1), zone)
        except ValueError:  # the year has no such week
            pass
    raise ValueError(f"'{name}' is not a week; write it as 2026-W47")
