"""When the clocks of a zone show a time of day. Pure.

Where the clocks go forward, a time of day that is left out counts as the moment they jump; where they go back, the
first of two counts. So every day has each time of day once.
"""

from datetime import UTC, date, datetime, tzinfo


def moment_ms(day: date, minute: int, zone: tzinfo) -> int:
    """The moment at which the clocks first show, or jump over, a time of day."""
    wall = datetime(day.year, day.month, day.day, minute // 60, minute % 60, tzinfo=zone)
    moment = wall.astimezone(UTC)
    if moment.astimezone(zone).replace(tzinfo=None) == wall.replace(tzinfo=None):
        return round(moment.timestamp() * 1000)
    # Left out: the jump lies between what the clocks' offsets before and after it make of the time.
    low, high = (round(wall.replace(fold=fold).timestamp()) for fold in (1, 0))
    after = datetime.fromtimestamp(high, zone).utcoffset()
    while high - low > 1:
        middle = (low + high) // 2
        if datetime.fromtimestamp(middle, zone).utcoffset() == after:
            high = middle
        else:
            low = middle
    return high * 1000
