"""How warm and how moist the bedding was: daily means of the channels that sat in it, as far back as asked."""

from collections.abc import Mapping, Sequence

import numpy as np

from underlid.model import Channel, Placement, Position, Quantity, Series, Subject
from underlid.store.blocks import bucket_ms
from underlid.store.readings import Readings

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BED = (Position.CORE, Position.BASE, Position.TOP, Position.POCKET)  # what stands for the bedding, best first
_CAN_BE = {Quantity.TEMPERATURE: (-40.0, 80.0), Quantity.MOISTURE: (0.0, 100.0)}  # else the probe was faulty


def daily_course(
    readings: Readings,
    channels: Mapping[int, Channel],
    placements: Sequence[Placement],
    subject: Subject,
    quantity: Quantity,
    from_ms: int,
    to_ms: int,
) -> Series:
    """Daily means at each day's middle, of the first position of `BED` that has any; empty where none has."""
    low, high = _CAN_BE[quantity]
    for position in BED:
        parts = []
        for placed in placements:
            if (placed.subject, placed.position) != (subject, position):
                continue
            first, last = max(from_ms, placed.from_ms), min(to_ms, placed.to_ms or to_ms)
            if channels[placed.channel_id].quantity is not quantity or last - first < HOUR_MS:
                continue
            days = max(1, round((last - first) / DAY_MS))
            found = readings.buckets(placed.channel_id, first, last - 1, days)
            sane = (found.low >= low) & (found.high <= high)
            parts.append((found.time_ms[sane] + bucket_ms(first, last - 1, days) // 2, found.mean[sane]))
        if any(len(time) for time, _ in parts):
            time, index = np.unique(np.concatenate([time for time, _ in parts]), return_index=True)
            return Series(time, np.concatenate([value for _, value in parts])[index])
    return Series(np.empty(0, np.int64), np.empty(0))
