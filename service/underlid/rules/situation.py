"""What a rule may look at: everything known of one subject up to a moment."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from underlid.model import Bin, Farm, FeedStore, LogEntry, Place, Position, Probe, Quantity, Series, Subject
from underlid.rules.limits import Limits

LOOK_BACK_H = 7 * 24  # what of the past the rules are given
BATTERY_BACK_H = 30 * 24  # of a probe's battery, which hardly falls in a week


Times = NDArray[np.int64]


def nobody(_from_ms: int) -> Times:
    """There are no other probes."""
    return np.empty(0, np.int64)


@dataclass(frozen=True, slots=True)
class TwinSeries:
    """What a channel is compared with: what it is called, and its readings since the two are compared."""

    name: str
    series: Series


@dataclass(frozen=True, slots=True)
class Sensor:
    """The readings of one channel while it sat at a position of the subject; None: of an unplaced channel."""

    channel_id: int
    position: Position | None
    quantity: Quantity
    unit: str
    series: Series
    twin: TwinSeries | None = None  # of a probe's channel
    air: Series | None = None  # of a probe's thermometer in bedding: the air beside the bin


@dataclass(frozen=True, slots=True)
class Situation:
    """Readings of the last `LOOK_BACK_H` hours (of a probe's battery, `BATTERY_BACK_H`) and the log entries
    of the last 30 days, oldest first.

    `sensors` are those of the subject; `air` those of its place (position air). A place has only `air`. A
    probe has all its channels as `sensors`, placed or not, and no place; the farm has neither.
    """

    subject: Subject
    name: str
    now_ms: int
    place: Place | None
    thing: Bin | FeedStore | Place | Probe | Farm
    limits: Limits
    sensors: Sequence[Sensor] = ()
    air: Sequence[Sensor] = ()
    log: Sequence[LogEntry] = ()
    others: int = 0  # how many other probes there are, of a probe; of the farm, how many in all
    others_heard: Callable[[int], Times] = field(
        default=nobody, compare=False, repr=False
    )  # when any of them, or of a sample, spoke since a time; worked out when asked for
    active: Mapping[str, bool] = field(
        default_factory=dict
    )  # by rule: is its alarm up now? (for the deadband)
    memo: dict[object, object] = field(
        default_factory=dict, compare=False, repr=False
    )  # worked out once for all rules
    air_memo: dict[object, object] = field(
        default_factory=dict, compare=False, repr=False
    )  # worked out once for all subjects of the place at this moment
