"""The protocol every readings store keeps to."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path
from typing import Protocol

from underlid.model import Buckets, Reading, Series

_VALUE = itemgetter(2)


class StoreError(Exception):
    """A store could not do what was asked: one line that says what, where and what would be right."""


@dataclass(frozen=True, slots=True)
class Retention:
    """How many days readings are kept: each of them, and then the lowest, mean and highest of each hour.

    None: for ever.
    """

    raw_days: int | None = None
    hourly_days: int | None = None


class Readings(Protocol):
    """Readings keyed by channel and time. A repeat changes nothing; the first value stays."""

    def add(self, readings: Sequence[Reading]) -> int:
        """Keep readings durably before returning; gives how many were new. Raises StoreError."""

    def rewrite(self, channel_id: int, from_ms: int, to_ms: int, readings: Sequence[Reading]) -> None:
        """Put computed readings in the place of a channel's from and to a time, all or nothing."""

    def window(self, channel_id: int, from_ms: int, to_ms: int) -> Series:
        """The readings of a channel from and to a time, both included, in time order."""

    def latest(self, channel_ids: Sequence[int]) -> dict[int, Reading]:
        """The newest reading of each channel that has one."""

    def first_ms(self, channel_ids: Sequence[int]) -> int | None:
        """The time of the oldest reading of any of the channels."""

    def buckets(self, channel_id: int, from_ms: int, to_ms: int, points: int) -> Buckets:
        """A range thinned to at most `points` buckets of equal length; empty ones are left out."""

    def upkeep(self, now_ms: int) -> bool:
        """A short piece of what keeps the store in order; gives whether there is more to do at once."""

    def close(self) -> None: ...


def refuse_unless_finite(readings: Sequence[Reading]) -> None:
    """Raises StoreError for a value that is no number, before any of its batch is kept."""
    if not all(map(math.isfinite, map(_VALUE, readings))):
        wrong = next(reading for reading in readings if not math.isfinite(reading.value))
        raise StoreError(f"a reading of channel {wrong.channel_id}: {wrong.value} is no number")


def sqlite_file(url: str) -> Path:
    """The file of a `sqlite:///FILE` URL."""
    return Path(url.removeprefix("sqlite:///"))
