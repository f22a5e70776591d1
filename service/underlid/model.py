"""The words of Underlid as plain, frozen data; every other part speaks in these.

Times are integer milliseconds since 1970-01-01T00:00Z, named `*_ms`; quantities carry their unit in the name.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray


class Position(StrEnum):
    """Where a channel sits: a layer of a bin, the feed pocket, the air of a place, or a feed store."""

    TOP = "top"
    CORE = "core"
    BASE = "base"
    POCKET = "pocket"
    AIR = "air"
    FEED = "feed"


class Quantity(StrEnum):
    """What a channel measures, in the unit that is stored."""

    TEMPERATURE = "temperature"  # Cel
    MOISTURE = "moisture"  # % water by mass, wet basis
    MOISTURE_RAW = "moisture-raw"  # count or V, before calibration
    HUMIDITY = "humidity"  # %RH
    BATTERY = "battery"  # V, or % as %EL
    SIGNAL = "signal"  # dBm
    OTHER = "other"


class SubjectKind(StrEnum):
    """What can be watched and have alarms."""

    BIN = "bin"
    FEED_STORE = "feed-store"
    PLACE = "place"
    PROBE = "probe"
    FARM = "farm"  # all of it: there is one, with the id "farm"


@dataclass(frozen=True, slots=True, order=True)
class Subject:
    """One watched thing."""

    kind: SubjectKind
    id: str

    def __str__(self) -> str:
        return f"{self.kind}/{self.id}"


@dataclass(frozen=True, slots=True)
class Farm:
    name: str
    time_zone: str  # IANA name
    limits: Mapping[str, float] = field(default_factory=dict)  # overrides of the species' profile


@dataclass(frozen=True, slots=True)
class Place:
    id: str
    name: str
    outdoors: bool
    limits: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Bin:
    """A container or bed. Length, width and depth are of the bedding inside, not of the box."""

    id: str
    name: str
    place_id: str
    species: str
    length_m: float
    width_m: float
    depth_m: float
    worm_kg: float
    started_ms: int
    limits: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FeedStore:
    """A tub of scraps kept for later: an upright cylinder."""

    id: str
    name: str
    place_id: str
    diameter_m: float
    fill_depth_m: float
    insulation_w_m2k: float | None = None  # None: a bare tub in still outdoor air
    limits: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Probe:
    id: str
    name: str
    first_seen_ms: int
    online: bool | None = None  # None: it has never said
    retired_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Channel:
    id: int
    probe_id: str
    name: str
    unit: str
    quantity: Quantity


@dataclass(frozen=True, slots=True)
class Placement:
    """A channel sat at a position of a subject from a time on, until another if it was moved."""

    id: int
    channel_id: int
    subject: Subject
    position: Position
    from_ms: int
    to_ms: int | None


@dataclass(frozen=True, slots=True)
class Twin:
    """A channel is compared with another of the same quantity and unit, from a time on."""

    channel_id: int
    twin_id: int
    from_ms: int


class Reading(NamedTuple):
    """A named tuple: of these there are many, and a store takes them as they are."""

    channel_id: int
    time_ms: int
    value: float
    received_ms: int


@dataclass(frozen=True, slots=True)
class Series:
    """Readings of one channel in time order: two arrays of the same length."""

    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.time_ms)

    def hours(self, origin_ms: int) -> NDArray[np.float64]:
        """Times as hours after `origin_ms` (negative before it)."""
        return (self.time_ms - origin_ms) / 3_600_000.0

    def since(self, time_ms: int) -> "Series":
        """The part at or after a time."""
        first = int(np.searchsorted(self.time_ms, time_ms))
        return Series(self.time_ms[first:], self.value[first:])

    def until(self, time_ms: int) -> "Series":
        """The part at or before a time."""
        end = int(np.searchsorted(self.time_ms, time_ms, side="right"))
        return Series(self.time_ms[:end], self.value[:end])


@dataclass(frozen=True, slots=True)
class Buckets:
    """A thinned range: per bucket the start, lowest, mean and highest value and the number of readings."""

    time_ms: NDArray[np.int64]
    low: NDArray[np.float64]
    mean: NDArray[np.float64]
    high: NDArray[np.float64]
    count: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """A raw reading of a moisture probe in bedding of known moisture, and how that was found."""

    raw: float
    pct_wb: float
    sd_pct: float
    how: Literal["given", "oven"] = "given"
    temp_c: float | None = None


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """A calibration of a raw channel, in force from a time on until a later one; id 0 until it is stored.

    Its moisture goes to the channel `moisture_id`; `temp_id` is the channel whose temperature corrects it.
    """

    id: int
    channel_id: int
    moisture_id: int
    version: int
    made_ms: int
    from_ms: int
    points: tuple[CalibrationPoint, ...]
    temp_coeff: float = 0.0
    temp_id: int | None = None


LogKind = Literal["fed", "wetted", "turned", "bedding", "harvest", "split", "worms", "seen", "lid"]


@dataclass(frozen=True, slots=True)
class LogEntry:
    """What the keeper did or saw. Amounts: kg of feed, bedding, castings or worms; litres of water."""

    id: int
    at_ms: int
    subject: Subject
    kind: LogKind
    amount_kg: float | None = None
    amount_l: float | None = None
    what: str = ""  # the food, the bedding, or what was seen
    corner: str = ""
    note: str = ""
    key: str | None = None  # made by who writes it, so that the same entry sent twice is kept once
    corrected_ms: int | None = None  # when it was last corrected; None: it stands as it was written
    deleted_ms: int | None = None  # None: it holds


class Verdict(StrEnum):
    """What a rule can say. Silence and suspect data are unknown: they neither raise nor clear."""

    HOLDS = "holds"
    CLEAR = "clear"
    UNKNOWN = "unknown"


class Priority(StrEnum):
    """By the time left to act: at once, today, on the next round, or only to know."""

    URGENT = "urgent"
    TODAY = "today"
    ROUND = "round"
    INFO = "info"


@dataclass(frozen=True, slots=True)
class Finding:
    """What a rule says now of a subject.

    `since_ms` is the time of the reading from which the verdict has held without a break. `forecast` tells
    whether the limit is crossed already or will be in `eta_h` hours (`eta_low_h`..`eta_high_h`).
    """

    rule: str
    verdict: Verdict
    since_ms: int
    forecast: bool = False
    priority: Priority = Priority.ROUND
    position: Position | None = None
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    eta_h: float | None = None
    eta_low_h: float | None = None
    eta_high_h: float | None = None
    headline: str = ""
    advice: str = ""
    caution: str = ""
    amounts: Mapping[str, float] = field(default_factory=dict)  # e.g. {"water_l": 2.4}
    evidence: tuple[tuple[int, int, float], ...] = ()  # (channel id, time_ms, value) that decided it


class AlarmState(StrEnum):
    """The life cycle by the terms of ISA-18.2 / IEC 62682."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    SHELVED = "shelved"
    OUT_OF_SERVICE = "out-of-service"


@dataclass(frozen=True, slots=True)
class Alarm:
    """A finding with a life cycle. One row per subject and rule; id 0 until it is stored."""

    id: int
    subject: Subject
    rule: str
    state: AlarmState = AlarmState.NORMAL
    holds_since_ms: int | None = None
    clear_since_ms: int | None = None
    raised_ms: int | None = None
    changed_ms: int = 0
    shelved_until_ms: int | None = None
    reason: str = ""
    finding: Finding | None = None


@dataclass(frozen=True, slots=True)
class Transition:
    """One step in an alarm's life, with the finding that caused it. `cause`: raised, worsened, returned,
    acknowledged, shelved, unshelved, out-of-service, in-service, withdrawn. `false_ms`: when the keeper marked the
    alarm that began with this step as false; id 0 until it is stored."""

    alarm: Alarm
    at_ms: int
    before: AlarmState
    after: AlarmState
    cause: str
    by: str = ""
    id: int = 0
    false_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """Something to be said to a target; `key` is stable so that a repeat is recognisable."""

    key: str
    target: str
    title: str
    body: str
    created_ms: int
    id: int = 0
    attempts: int = 0
    due_ms: int = 0
    topic: str = ""
    priority: Priority | None = None  # None: nobody need hear of it in quiet hours
    report: str = ""  # kind/name of the kept report it tells of; who can show that gets it as a letter


@dataclass(frozen=True, slots=True)
class Letter:
    """A report as mail: a page of HTML that shows its images by their names (`cid:NAME`), each a PNG."""

    html: str
    images: Mapping[str, bytes]


@dataclass(frozen=True, slots=True)
class Notice:
    """A step of an alarm that one target is to hear of; with others that are due it becomes a message.

    `cause` is the transition's, or `worsening` where an alarm nobody acknowledged goes on getting worse.
    `held`: quiet hours held it back. `told_ms` is when the message with it was written, `outcome` that message's
    key, or why there was none.
    """

    key: str
    target: str
    alarm_id: int
    subject: Subject
    rule: str
    name: str  # of the subject
    cause: str
    at_ms: int
    due_ms: int | None  # None: settled
    priority: Priority
    forecast: bool = False
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    headline: str = ""
    advice: str = ""
    caution: str = ""
    held: bool = False
    told_ms: int | None = None
    outcome: str = ""
    id: int = 0


@dataclass(frozen=True, slots=True)
class Reject:
    """A message that could not be used, kept with the reason."""

    topic: str
    payload: bytes
    reason: str
    received_ms: int
    id: int = 0
    size: int = 0
    times: int = 1  # how often the same message came
