"""A decoded value with its time; what a message gave."""

import math
from dataclasses import dataclass
from typing import NamedTuple

from underlid.model import Quantity
from underlid.quantities import kept_as

RELATIVE_BELOW_S = 2**28  # RFC 8428 section 4.5.3
AHEAD_S = 600  # how far a probe's clock may run ahead
RELATIVE_AHEAD_S = 1  # a relative time needs no clock: past ones are negative, and only rounding is forgiven
LARGEST = 1e12  # sums of more would not be numbers any longer
OLDEST_S = 949_363_200  # 2000-02-01: clocks that were never set begin at 1970, or at 2000
CHANNEL_LETTERS = 64
_MILLISECONDS_FROM_S = 10**11  # as seconds, the year 5138
_QUARTER_H_S, _ABOUT_S = 900, 120


class Sample(NamedTuple):
    """One decoded value of a probe's channel, in the unit that is stored."""

    channel: str
    quantity: Quantity
    unit: str
    time_ms: int
    value: float
    by_arrival: bool = False  # dated by when the message came, not by the probe's clock


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a message gave: its samples, and why any part of it could not be used."""

    samples: tuple[Sample, ...] = ()
    problems: tuple[str, ...] = ()

    @property
    def dated_by_arrival(self) -> bool:
        """Whether any time depends on when the message came, so that a repeat must be dated as the first."""
        return any(sample.by_arrival for sample in self.samples)

    @property
    def reason(self) -> str:
        return summary(self.problems)


def summary(problems: tuple[str, ...]) -> str:
    """The first problem, and how many more there are."""
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return problems[0] + more if problems else ""


def refused(reason: str) -> Decoded:
    return Decoded(problems=(reason,))


def sample(channel: str, unit: str, value: float, time_s: float, received_ms: int) -> Sample:
    """Check one value and its time, and give it in the stored unit. Raises ValueError with the reason.

    `value` may be infinite or no number; `time_s` may not be no number.
    """
    if len(channel) > CHANNEL_LETTERS:
        raise ValueError(
            f"the channel's name is {len(channel)} letters long; at most {CHANNEL_LETTERS} are taken"
        )
    quantity, stored_unit, numerator, denominator, offset = kept_as(channel, unit)
    stored = value * numerator / denominator + offset
    if not math.isfinite(stored):
        raise ValueError(f"'{channel}' is not finite")
    if abs(stored) > LARGEST:
        raise ValueError(f"'{channel}' is {stored:.3g}, more than anything a probe measures")
    by_arrival = time_s < RELATIVE_BELOW_S
    ago_s = -time_s if by_arrival else received_ms / 1000 - time_s
    too_old = received_ms / 1000 - ago_s < OLDEST_S
    if too_old or ago_s < -(RELATIVE_AHEAD_S if by_arrival else AHEAD_S):
        raise ValueError(f"'{channel}' is {_strange_time(ago_s, time_s)}")
    time_ms = round(time_s * 1000)
    if by_arrival:
        time_ms += received_ms
    return Sample(channel, quantity, stored_unit, time_ms, stored, by_arrival)


def _strange_time(ago_s: float, time_s: float) -> str:
    """What is wrong with a time, and what would be right."""
    if ago_s > 0:
        return (
            f"dated {ago_s / 86_400:.0f} days ago, before the year 2000 or at its start, as by a clock never set; "
            "set the probe's clock, or let it send no time"
        )
    if time_s < RELATIVE_BELOW_S:
        return (
            f"{-ago_s:.0f} s in the future: a time below 2^28 is relative to now, the past being negative; "
            "a probe that counts from its start should send no time, or how long ago each value is"
        )
    if time_s > _MILLISECONDS_FROM_S:
        return "dated far in the future: times are in seconds, and this one seems to be in milliseconds"
    quarters = round(-ago_s / _QUARTER_H_S)
    if quarters <= 14 * 4 and abs(-ago_s - quarters * _QUARTER_H_S) <= _ABOUT_S:
        return f"{-ago_s:.0f} s in the future, which looks like local time; times are in UTC"
    return f"{-ago_s:.0f} s in the future; check the probe's clock"


def is_number(value: object) -> bool:
    """Whether it is a finite number; true and false are none."""
    return type(value) in (int, float) and math.isfinite(value)  # type: ignore[arg-type]
