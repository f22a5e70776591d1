"""Which summary and which weekly report are due to a person at a moment. Pure.

A summary belongs to the day whose hour has struck. One that could not be written then, as the service was down, is
made up for within sixteen hours, by what holds at that later moment; after that the next one is near. So there is at
most one a day, and two are never nearer than seven hours. A weekly report is made up for until six days are over.
"""

from datetime import date, datetime, timedelta, tzinfo

from underlid.reports.week import Week, week_of
from underlid.timeofday import moment_ms

DAILY_WITHIN_MS = 16 * 3_600_000
WEEKLY_WITHIN_MS = 6 * 24 * 3_600_000


def due_day(minute: int, now_ms: int, zone: tzinfo) -> date | None:
    """The day whose summary is due now; None: the last one is too long ago."""
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    for day in (today, today - timedelta(1)):
        if 0 <= now_ms - moment_ms(day, minute, zone) < DAILY_WITHIN_MS:
            return day
    return None


def due_week(week_time: tuple[int, int], now_ms: int, zone: tzinfo, farm_zone: str) -> Week | None:
    """The farm's week whose report is due now to somebody: the last that was over when their hour struck."""
    weekday, minute = week_time
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    day = today - timedelta((today.weekday() - weekday) % 7)
    if moment_ms(day, minute, zone) > now_ms:
        day -= timedelta(7)
    struck_ms = moment_ms(day, minute, zone)
    return week_of(struck_ms, farm_zone).before if now_ms - struck_ms < WEEKLY_WITHIN_MS else None
