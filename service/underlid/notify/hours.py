"""Quiet hours and the time of the digest, on a person's clocks: a night has one beginning and end, a day one digest."""

from datetime import datetime, timedelta, tzinfo

from underlid.timeofday import moment_ms

_DAY = timedelta(days=1)


def quiet_until_ms(span: tuple[int, int] | None, now_ms: int, zone: tzinfo) -> int | None:
    """When the quiet hours end that it is in now; None: it is not in any. Minutes after midnight."""
    if span is None:
        return None
    start, end = span
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    for day in (today - _DAY, today):
        end_ms = moment_ms(day if start < end else day + _DAY, end, zone)
        if moment_ms(day, start, zone) <= now_ms < end_ms:
            return end_ms
    return None


def next_daily_ms(minute: int, now_ms: int, zone: tzinfo) -> int:
    """The next time, after now, that the clocks show so many minutes after midnight."""
    day = datetime.fromtimestamp(now_ms / 1000, zone).date()
    while (due_ms := moment_ms(day, minute, zone)) <= now_ms:
        day += _DAY
    return due_ms
