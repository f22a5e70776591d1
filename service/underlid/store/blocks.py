"""A day of a channel as one compressed block, and what a range of readings comes to in buckets. Pure.

Times and values are compressed by pcodec, which gives back the very same numbers.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from pcodec import ChunkConfig
from pcodec.standalone import simple_compress, simple_decompress

from underlid.model import Buckets

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
AT_ONCE = 16  # days

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Cells:
    """Readings in time order, or what several of them came to: lowest, mean, highest, and how many they were.

    `count` is None where each is a single reading; then `low` and `high` are `mean` itself.
    """

    time_ms: Ints
    low: Floats
    mean: Floats
    high: Floats
    count: Ints | None

    def __len__(self) -> int:
        return len(self.time_ms)

    def where(self, mask: NDArray[np.bool_] | Ints) -> "Cells":
        if self.count is None:
            return raw(self.time_ms[mask], self.mean[mask])
        return Cells(self.time_ms[mask], self.low[mask], self.mean[mask], self.high[mask], self.count[mask])

    @property
    def counts(self) -> Ints:
        return np.ones(len(self), np.int64) if self.count is None else self.count


def raw(time_ms: Ints, value: Floats) -> Cells:
    """Single readings as cells."""
    return Cells(time_ms, value, value, value, None)


def join(parts: Iterable[Cells]) -> Cells:
    """All of them in time order; of two at one time, the first part's stays."""
    whole = in_order(parts)
    again = np.diff(whole.time_ms) == 0
    return whole.where(np.concatenate([[True], ~again])) if np.any(again) else whole


def in_order(parts: Iterable[Cells]) -> Cells:
    """All of them in time order, and those at one time in the order of the parts; each part is in order."""
    parts = [part for part in parts if len(part)]
    if len(parts) == 1:
        return parts[0]
    time_ms = np.concatenate([np.empty(0, np.int64), *(part.time_ms for part in parts)])
    mean = np.concatenate([np.empty(0), *(part.mean for part in parts)])
    if all(part.count is None for part in parts):
        whole = raw(time_ms, mean)
    else:
        low = np.concatenate([part.low for part in parts])
        high = np.concatenate([part.high for part in parts])
        whole = Cells(time_ms, low, mean, high, np.concatenate([part.counts for part in parts]))
    if all(before.time_ms[-1] <= after.time_ms[0] for before, after in pairwise(parts)):
        return whole  # as days mostly are
    return whole.where(np.argsort(time_ms, kind="stable"))


def hourly(cells: Cells) -> Cells:
    """The cells of each hour as one, at the time of its first reading."""
    new_hour = np.diff(cells.time_ms // HOUR_MS) != 0
    return _grouped(cells, np.flatnonzero(np.concatenate([[True], new_hour])))


def bucketed(parts: Iterable[Cells], from_ms: int, to_ms: int, points: int) -> Buckets:
    """Cells, each within one bucket, put into at most `points` buckets of equal length; empty ones left out."""
    width_ms = bucket_ms(from_ms, to_ms, points)
    days = list(parts)
    # A few at a time stay in the processor's cache; of a year at once, most of the work is memory's.
    some = [_in_buckets(days[n : n + AT_ONCE], from_ms, width_ms) for n in range(0, len(days), AT_ONCE)]
    whole = _in_buckets(some, from_ms, width_ms)
    start_ms = from_ms + (whole.time_ms - from_ms) // width_ms * width_ms
    return Buckets(start_ms, whole.low, whole.mean, whole.high, whole.counts)


def _in_buckets(parts: Iterable[Cells], from_ms: int, width_ms: int) -> Cells:
    """Those of each bucket as one cell."""
    cells = in_order(parts)
    if not len(cells):
        return cells
    first, last = (int(cells.time_ms[end] - from_ms) // width_ms for end in (0, -1))
    edges = from_ms + width_ms * np.arange(first, last + 2)
    starts = np.searchsorted(cells.time_ms, edges)
    return _grouped(cells, starts[:-1][np.diff(starts) > 0])


def bucket_ms(from_ms: int, to_ms: int, points: int) -> int:
    return max(1, -(-(to_ms - from_ms + 1) // points))


def _grouped(cells: Cells, starts: NDArray[np.intp]) -> Cells:
    """Neighbours from each start to the next as one cell, at the time of the first."""
    if not len(cells):
        return cells
    if cells.count is None:
        count = np.diff(np.append(starts, len(cells)))
        total = np.add.reduceat(cells.mean, starts)
    else:
        count = np.add.reduceat(cells.count, starts)
        total = np.add.reduceat(cells.mean * cells.count, starts)
    low, high = np.minimum.reduceat(cells.low, starts), np.maximum.reduceat(cells.high, starts)
    # The last digit of a mean may be off; it never lies outside of what it is the mean of.
    return Cells(cells.time_ms[starts], low, np.clip(total / count, low, high), high, count)


def packed(numbers: Ints | Floats) -> bytes:
    compressed: bytes = simple_compress(np.ascontiguousarray(numbers), ChunkConfig())
    return compressed


def unpacked_times(block: bytes) -> Ints:
    numbers: Ints = simple_decompress(block)
    return numbers


def unpacked(
    times: bytes, value: bytes, low: bytes | None, high: bytes | None, counts: bytes | None
) -> Cells:
    """The cells of a block; one of single readings has no `low`, `high`, `counts`."""
    mean: Floats = simple_decompress(value)
    if low is None or high is None or counts is None:
        return raw(unpacked_times(times), mean)
    return Cells(
        unpacked_times(times), simple_decompress(low), mean, simple_decompress(high), unpacked_times(counts)
    )
