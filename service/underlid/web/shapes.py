"""What goes in and out of the API: request and response bodies."""

from datetime import UTC, datetime
from typing import Annotated, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer, model_validator

from underlid.access.roles import Role
from underlid.model import AlarmState, LogKind, Position, Priority, Quantity, SubjectKind

Item = TypeVar("Item")


def rfc3339(time_ms: int) -> str:
    """Milliseconds since 1970 as an RFC 3339 time in UTC, e.g. 2026-11-25T06:10:00.000Z."""
    moment = datetime.fromtimestamp(time_ms / 1000, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


# Kept as milliseconds inside, written as RFC 3339 at the edge.
Time = Annotated[int, PlainSerializer(rfc3339, return_type=str, when_used="json")]
Slug = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,62}$", examples=["alder"])]


class Shape(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Page(Shape, Generic[Item]):
    """A page of a list; `next` is what to pass as `after` for the following one, or null."""

    items: list[Item]
    next: str | None = None


Insulation = Annotated[
    float | None,
    Field(
        gt=0,
        le=100,
        description="heat passed by the wall as it stands; null: a bare tub in still outdoor air",
    ),
]
LimitsSet = Annotated[
    dict[str, float] | None,
    Field(
        description="limits by name, in place of those set here before; temp_low_c@11-3 holds from November to March"
    ),
]


class SubjectShape(Shape):
    kind: SubjectKind
    id: str


class FarmShape(Shape):
    name: str
    time_zone: str
    now: Time
    speed: float = Field(description="Farm hours per hour of the wall clock; 1 but for a demonstration.")
    broker: str = Field(description="HOST:PORT that probes publish to, as this service reaches it")
    version: str
    limits: dict[str, float] = Field(description="what is set for the whole farm")


class FarmChange(Shape):
    name: str | None = Field(None, min_length=1, max_length=80)
    time_zone: str | None = None
    limits: LimitsSet = None


class ForecastShape(Shape):
    """When a limit will be crossed; hours from the condition's time."""

    limit: float
    eta_h: float
    low_h: float
    high_h: float | None = Field(description="null: may never be crossed")


class PositionShape(Shape):
    """What is known of one quantity at one position."""

    position: Position
    quantity: Quantity
    channel: int
    value: float
    unit: str
    at: Time = Field(validation_alias="at_ms")
    trend_per_h: float | None
    trend: Literal["rising", "falling", "steady", "unknown"]
    state: Literal["ok", "low", "high", "stale"]
    low: float | None = None
    high: float | None = None
    forecast: ForecastShape | None = None


class StoredFeedShape(Shape):
    """How frozen a feed store is."""

    state: Literal["soft", "freezing", "frozen-through", "hard-frozen", "thawing", "thawed", "unknown"]
    frozen_fraction: float | None
    hard_frozen_h: float
    hours_to_change: float | None
    words: str


class ConditionShape(Shape):
    """The present condition of a bin, a feed store or a place; `words` is one line for a person."""

    at: Time = Field(validation_alias="at_ms")
    words: str
    positions: list[PositionShape]
    stored_feed: StoredFeedShape | None = None


class AlarmSummary(Shape):
    id: int
    rule: str
    state: AlarmState
    priority: Priority
    forecast: bool
    headline: str
    advice: str
    eta_h: float | None
    changed: Time


class LimitShape(Shape):
    name: str
    value: float
    unit: str
    origin: str = Field(description="species, farm, place, bin or feed-store")
    source: str
    season: str | None = Field(
        description="the months that the value was set for, as in 11-3; null: the whole year"
    )


class PlaceShape(Shape):
    id: str
    name: str
    outdoors: bool
    limits: dict[str, float] = Field(description="what is set for all that is in this place")
    condition: ConditionShape | None = None


class PlaceNew(Shape):
    id: Slug
    name: str = Field(min_length=1, max_length=80)
    outdoors: bool = False


class PlaceChange(Shape):
    name: str | None = Field(None, min_length=1, max_length=80)
    outdoors: bool | None = None
    limits: LimitsSet = None


class BinSummary(Shape):
    id: str
    name: str
    place_id: str
    species: str
    condition: ConditionShape | None
    alarms: list[AlarmSummary]


Assumed = Annotated[
    list[str],
    Field(description="which sizes and masses are as they are taken to be where none is given"),
]


class BinShape(BinSummary):
    length_m: float
    width_m: float
    depth_m: float
    worm_kg: float
    assumed: Assumed
    started: Time
    limits: list[LimitShape]
    own_limits: dict[str, float] = Field(description="what is set for this bin alone, seasons among it")


class BinNew(Shape):
    id: Slug
    name: str = Field(min_length=1, max_length=80)
    place_id: str
    species: str = "eisenia-fetida"
    length_m: float = Field(0.6, gt=0, le=200)
    width_m: float = Field(0.4, gt=0, le=20)
    depth_m: float = Field(0.3, gt=0, le=3)
    worm_kg: float = Field(0.4, ge=0, le=100_000)
    started: datetime | None = None


class BinChange(Shape):
    name: str | None = Field(None, min_length=1, max_length=80)
    place_id: str | None = None
    species: str | None = None
    length_m: float | None = Field(None, gt=0, le=200)
    width_m: float | None = Field(None, gt=0, le=20)
    depth_m: float | None = Field(None, gt=0, le=3)
    worm_kg: float | None = Field(None, ge=0, le=100_000)
    started: datetime | None = None
    limits: LimitsSet = None


class FeedStoreShape(Shape):
    id: str
    name: str
    place_id: str
    diameter_m: float
    fill_depth_m: float
    assumed: Assumed
    insulation_w_m2k: Insulation
    condition: ConditionShape | None
    alarms: list[AlarmSummary]
    limits: list[LimitShape]


class FeedStoreNew(Shape):
    id: Slug
    name: str = Field(min_length=1, max_length=80)
    place_id: str
    diameter_m: float = Field(0.3, gt=0, le=5)
    fill_depth_m: float = Field(0.35, gt=0, le=5)
    insulation_w_m2k: Insulation = None


class FeedStoreChange(Shape):
    name: str | None = Field(None, min_length=1, max_length=80)
    place_id: str | None = None
    diameter_m: float | None = Field(None, gt=0, le=5)
    fill_depth_m: float | None = Field(None, gt=0, le=5)
    insulation_w_m2k: Insulation = None
    limits: LimitsSet = None


class LatestShape(Shape):
    at: Time
    value: float


class PlacementShape(Shape):
    subject: SubjectShape
    position: Position
    since: Time | None = Field(description="null: since its first reading")


class TwinShape(Shape):
    channel: int = Field(description="what it is compared with")
    since: Time


class TwinNew(Shape):
    channel: Annotated[int, Field(ge=0, le=2**63 - 1)]
    since: datetime | None = Field(
        None, description="null: since both sit at the same position, if they do, else from now on"
    )


class ComparisonShape(Shape):
    """A channel beside its twin at the channel's times; null where the twin was silent."""

    channel: int
    twin: int
    twin_name: str
    quantity: Quantity
    unit: str
    since: Time
    time: list[Time]
    own: list[float]
    other: list[float | None]
    difference: list[float | None] = Field(description="own less other")
    apart: float | None = Field(description="middle of the difference")
    drift_per_day: float | None = Field(description="null: too short a time together to tell")
    drifting: bool = Field(description="sure, and more than twins may part")


class ChannelShape(Shape):
    id: int
    name: str
    quantity: Quantity
    unit: str
    latest: LatestShape | None
    placement: PlacementShape | None
    twin: TwinShape | None
    calibrated: bool = Field(description="raw moisture that a calibration turns into per cent")


class RhythmShape(Shape):
    """How often it speaks; `late`: a reading is missing, `silent`: for longer than it may be."""

    state: Literal["on-time", "late", "silent"]
    interval_min: float | None = Field(description="null: too few readings to tell")
    due: Time | None = Field(validation_alias="next_ms", description="when its next reading is expected")
    patience_h: float = Field(description="a longer silence is told")


class BatteryShape(Shape):
    state: Literal["fine", "low", "unknown"]
    value: float
    unit: str
    left_h: float | None = Field(
        description="until empty, by its discharge since it was charged; null: it does not surely fall"
    )


class SignalShape(Shape):
    """In words from -60, -70 and -80 dBm on (common practice, no source)."""

    state: Literal["strong", "good", "weak", "hardly-any"]
    dbm: float


class DoubtShape(Shape):
    channel: int
    quantity: Quantity
    since: Time = Field(validation_alias="since_ms")
    words: str
    advice: str = Field(description="what to look at")


class GapShape(Shape):
    start: Time = Field(validation_alias="from_ms")
    end: Time = Field(validation_alias="to_ms", description="the moment of the judgement: it goes on")


class ProbeHealthShape(Shape):
    """What the rules make of a placed probe."""

    at: Time = Field(validation_alias="at_ms")
    rhythm: RhythmShape
    battery: BatteryShape | None = Field(description="null: it tells none")
    signal: SignalShape | None = Field(description="null: it tells none")
    doubts: list[DoubtShape]
    gaps: list[GapShape] = Field(description="silences of the last 24 h, by its own rhythm")


class SuggestionShape(Shape):
    """Where its names say that it, or what of it is not placed yet, sits."""

    subject: SubjectShape
    position: Position
    channels: list[str]
    because: list[str] = Field(description="the names that say so")


class ProbeShape(Shape):
    id: str
    name: str
    first_seen: Time
    last_seen: Time | None
    online: bool | None = Field(description="null: it has never said")
    retired: Time | None
    speaks_retired: bool = Field(description="it has spoken since it was retired")
    channels: list[ChannelShape]
    suggestion: SuggestionShape | None
    health: ProbeHealthShape | None = Field(description="null: it sits nowhere, or is not judged yet")


class Unretire(Shape):
    put_back: bool = Field(False, description="to where it sat, as though it had never been retired")


class PlacementNew(Shape):
    """Place all fitting channels of a probe, or the named ones, at a position from a time on."""

    subject: SubjectShape
    position: Position
    channels: list[str] | None = Field(None, description="channel names; null: every one that fits")
    since: datetime | None = Field(
        None, description="null: from its first reading if it was never placed, else now"
    )


class ReadingsShape(Shape):
    """A thinned range: per bucket its start, lowest, mean and highest value and number of readings."""

    channel: int
    unit: str
    quantity: Quantity
    time: list[Time]
    low: list[float]
    mean: list[float]
    high: list[float]
    count: list[int]


class OvenSample(Shape):
    """A sample dried to constant mass (about 24 h at 105 C): dish with sample before and after, empty dish."""

    before_g: float = Field(gt=0, le=100_000)
    after_g: float = Field(gt=0, le=100_000)
    tare_g: float = Field(ge=0, le=100_000)


class PointNew(Shape):
    """A raw reading in bedding of known moisture: given in per cent, or by an oven-dried sample."""

    raw: float
    pct_wb: float | None = Field(None, ge=0, le=100)
    oven: OvenSample | None = None
    temp_c: float | None = Field(None, gt=0, le=100)

    @model_validator(mode="after")
    def _one_of_both(self) -> "PointNew":
        if (self.pct_wb is None) == (self.oven is None):
            raise ValueError("a point needs either pct_wb or oven")
        return self


class CalibrationNew(Shape):
    points: list[PointNew] = Field(min_length=2, max_length=20)
    temp_coeff: float = Field(0.0, description="raw units the probe reads more for each degree")
    since: datetime | None = Field(None, description="null: from now on")
    apply_to_past: bool = Field(False, description="from the first raw reading on")


class PointShape(Shape):
    raw: float
    pct_wb: float
    sd_pct: float
    how: Literal["given", "oven"]
    temp_c: float | None


class CurveShape(Shape):
    """The curve for a chart: moisture and its standard deviation over raw readings."""

    raw: list[float]
    pct_wb: list[float]
    sd_pct: list[float]


class CalibrationShape(Shape):
    version: int = Field(description="0: a preview, not kept")
    made: Time
    since: Time
    points: list[PointShape]
    temp_coeff: float
    moisture_channel: int | None
    curve: CurveShape


class SteadinessShape(Shape):
    """Whether a calibration point may be taken from a raw channel now."""

    raw: float | None
    scatter: float | None
    steady: bool
    words: str


class LogNew(Shape):
    subject: SubjectShape
    kind: LogKind
    at: datetime | None = Field(None, description="null: now")
    amount_kg: float | None = Field(None, ge=0, le=100_000)
    amount_l: float | None = Field(None, ge=0, le=100_000)
    what: str = Field("", max_length=200)
    corner: str = Field("", max_length=40)
    note: str = Field("", max_length=2000)
    key: str | None = Field(
        None,
        pattern=r"^[A-Za-z0-9-]{1,64}$",
        description="made by the client; the same key sent again gives the entry that exists",
    )


class RangeShape(Shape):
    likely: float
    least: float
    most: float


class WormsShape(Shape):
    told_kg: float
    told: Time
    by_log: bool = Field(description="by the log; else as it was given for the bin")
    how: str = Field(description="weighed, guessed: as the keeper wrote it")
    now_kg: RangeShape = Field(description="what they have grown to since")


class ReadyShape(Shape):
    """When castings are ready for harvest; null: not foreseeable."""

    share: float = Field(description="done so far, 0 to 1")
    likely: Time | None
    earliest: Time | None
    latest: Time | None


class SplitShape(Shape):
    due: bool
    likely_days: float | None = Field(description="until it is due; null: not foreseeable")
    least_days: float | None
    most_days: float | None
    density_kg_m2: float
    take_kg: float = Field(description="the worms to take out when it is due")
    reason: str


class FactsShape(Shape):
    begun: Time = Field(description="when it was started, or harvested last")
    harvested: bool
    worms: WormsShape
    food_left_kg: RangeShape | None = Field(description="still uneaten")
    ration_kg_per_day: RangeShape | None = Field(description="what the worms eat at the week's warmth")
    ready: ReadyShape | None
    split: SplitShape | None


class LogChange(Shape):
    """What is corrected of an entry; what is left out stays."""

    subject: SubjectShape | None = None
    kind: LogKind | None = None
    at: datetime | None = None
    amount_kg: float | None = Field(None, ge=0, le=100_000)
    amount_l: float | None = Field(None, ge=0, le=100_000)
    what: str | None = Field(None, max_length=200)
    corner: str | None = Field(None, max_length=40)
    note: str | None = Field(None, max_length=2000)


class PhotoShape(Shape):
    id: int
    width: int
    height: int
    url: str
    small_url: str = Field(description="the same, at most 320 pixels across")


class LogShape(Shape):
    id: int
    at: Time
    subject: SubjectShape
    kind: LogKind
    amount_kg: float | None
    amount_l: float | None
    what: str
    corner: str
    note: str
    key: str | None
    corrected: Time | None = Field(description="when it was last corrected; null: as it was written")
    deleted: Time | None = Field(description="null: it holds")
    photos: list[PhotoShape]


class RevisionShape(Shape):
    """How an entry read before it was corrected."""

    until: Time
    at: Time
    subject: SubjectShape
    kind: LogKind
    amount_kg: float | None
    amount_l: float | None
    what: str
    corner: str
    note: str


class EffectShape(Shape):
    """What a rule makes of an entry, until when (null: until the next such entry) or from when on."""

    effect: Literal["settles", "lid-open", "dries-anew", "heat-watched", "tub-anew", "worm-mass"]
    at: Time | None


class AnswerShape(Shape):
    """An alarm that stood when the entry was made, and that such a deed answers."""

    alarm: int
    rule: str
    headline: str
    raised: Time
    returned: Time | None = Field(description="when it was over; null: it still stands")


class LogDetail(LogShape):
    earlier: list[RevisionShape] = Field(description="how it read before, newest first")
    effects: list[EffectShape]
    answers: list[AnswerShape]


class EvidenceShape(Shape):
    channel: int
    at: Time
    value: float


class AlarmShape(AlarmSummary):
    subject: SubjectShape
    subject_name: str
    position: Position | None
    value: float | None
    limit: float | None
    unit: str
    eta_low_h: float | None
    eta_high_h: float | None
    caution: str
    amounts: dict[str, float] = Field(description="amounts of the advice by name and unit, e.g. water_l")
    raised: Time | None
    since: Time | None = Field(description="from when the readings have said so")
    shelved_until: Time | None
    reason: str
    was_false: bool = Field(description="the keeper's mark: there was nothing to it the last time it was up")
    evidence: list[EvidenceShape]


class TransitionShape(Shape):
    at: Time
    before: AlarmState
    after: AlarmState
    cause: str
    by: str
    headline: str


class AlarmDetail(AlarmShape):
    history: list[TransitionShape]


class FalseMark(Shape):
    """Whether an alarm was false the last time it was up."""

    was_false: bool


class SpellShape(Shape):
    """One time that an alarm was up, or would have been."""

    from_: Time = Field(serialization_alias="from")
    to: Time | None = Field(description="null: it still is, at the end of the period")
    forecast: bool = Field(description="it began as a forecast")
    priority: Priority
    headline: str


class ReplayPair(Shape):
    """An alarm as it was and as it would have been; null where there was or would have been none."""

    subject: SubjectShape
    subject_name: str
    rule: str
    was: SpellShape | None
    would: SpellShape | None


class OwnLimits(Shape):
    """What a farm, place, bin or feed store has of its own; what is left out is inherited."""

    subject: SubjectShape
    limits: dict[str, float] = Field(max_length=100)


class ReplayAsk(Shape):
    from_: datetime = Field(alias="from")
    to: datetime | None = Field(None, description="default: now")
    subjects: list[SubjectShape] = Field([], max_length=1000, description="default: all")
    limits: list[OwnLimits] = Field(
        [], max_length=1000, description="in place of what they have of their own"
    )
    only_changed: bool = Field(
        False, description="only rules that look at a limit that differs, of the subjects named"
    )
    against: Literal["history", "present-limits"] = Field(
        "history",
        description="what is laid beside it: what was, or what the limits in force say of the same time",
    )


class ReplayShape(Shape):
    from_: Time = Field(serialization_alias="from")
    to: Time
    rules: list[str]
    pairs: list[ReplayPair]


class BenchmarkShape(Shape):
    name: str
    value: float
    highest: float = Field(description="the most that is acceptable")
    is_met: bool


class RulePerformanceShape(Shape):
    rule: str
    alarms: int
    acknowledged: int
    acknowledged_after_h: float | None = Field(description="median")
    stale: int = Field(description="up for more than a day")
    chattering: int = Field(description="alarms that began three times or more within ten minutes")
    false: int = Field(description="by the keeper's mark")
    forecasts: int
    came_true: int
    lead_h: float | None = Field(description="from a forecast's alarm until it came true; median")
    least_lead_h: float | None = Field(description="nine of ten were longer")


class PerformanceShape(Shape):
    from_: Time = Field(serialization_alias="from")
    to: Time
    days: float
    keepers: int
    alarms: int
    a_day: float = Field(description="alarms for each keeper and day")
    by_priority: dict[Priority, int]
    source: str = Field(description="of the benchmarks")
    benchmarks: list[BenchmarkShape]
    rules: list[RulePerformanceShape]


class Shelve(Shape):
    hours: float = Field(gt=0, le=24 * 90)
    reason: str = Field("", max_length=400)


class OutOfService(Shape):
    reason: str = Field(min_length=1, max_length=400)


class TargetShape(Shape):
    """Somebody's address, without the address."""

    name: str
    least: Priority = Field(description="the least that is told there at once")
    quiet: str | None = Field(description="quiet hours by the farm's clocks, as in 22:00-06:30")
    breaks_quiet: Priority | Literal["none"]
    digest: str | None = Field(description="when what is below `least` is told, as in 07:30")
    daily: str | None = Field(description="when the day's summary is due, as in 07:00")
    weekly: str | None = Field(description="when the report on the last week is due, as in Mon 07:30")
    time_zone: str | None = Field(description="whose clocks these times are on; null: the farm's")
    failing_since: Time | None
    last_error: str | None
    waiting: int = Field(description="messages that were tried in vain and wait for another try")


class WeekShape(Shape):
    """A calendar week of which there is a report, or can be one."""

    week: str = Field(description="by ISO 8601, as in 2026-W47")
    start: Time
    end: Time
    over: bool
    kept: Time | None = Field(description="when its report was kept; null: it is computed when asked for")


class TrialShape(Shape):
    """What became of a test message."""

    taken: bool
    error: str | None


class RejectShape(Shape):
    id: int
    topic: str
    reason: str
    size: int
    times: int = Field(description="how often the same message came")
    received: Time
    payload_start: str = Field(description="the first 200 bytes, unprintable ones escaped")


Name = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[^\x00-\x1f]*$", examples=["Anna"])]
Password = Annotated[str, Field(min_length=1, max_length=200)]


class SessionShape(Shape):
    """Who is asking, and what they may do."""

    access: Literal["accounts", "open"] = Field(description="open: nobody signs in")
    name: str | None
    role: Role | None = Field(description="null: not signed in")
    has_password: bool = Field(description="signed in with one, so that it can be changed")
    set_up: bool = Field(description="false: there is no owner yet; a link in the terminal makes one")


class SignIn(Shape):
    name: Name
    password: Password


class PasswordChange(Shape):
    old: Password
    new: Password


class InvitationLook(Shape):
    secret: Annotated[str, Field(max_length=100)]


class InvitationShape(Shape):
    role: Role
    name: str | None = Field(description="whose password it sets; null: it makes a new account")


class Redemption(Shape):
    secret: Annotated[str, Field(max_length=100)]
    name: str = Field("", max_length=40, pattern=r"^[^\x00-\x1f]*$", description="of a new account")
    password: Password


class InvitationNew(Shape):
    role: Role = Role.KEEPER
    user: Annotated[int, Field(ge=0, le=2**63 - 1)] | None = Field(
        None, description="whose password it sets; null: it makes a new account of the role"
    )


class InvitationMade(Shape):
    path: str = Field(description="the link without the service's own address; good once")
    until: Time


class UserShape(Shape):
    id: int
    name: str
    role: Role
    made: Time
    signed_in: Time | None


class UserChange(Shape):
    role: Role


class TokenNew(Shape):
    name: Name
    role: Role = Field(Role.VIEWER, description="what it may do at most")
    days: float = Field(90, gt=0, le=3660, description="how long it is good")


class TokenShape(Shape):
    id: int
    name: str
    role: Role
    made: Time
    until: Time


class TokenMade(TokenShape):
    secret: str = Field(description="shown this once")


class AuditShape(Shape):
    id: int
    at: Time
    who: str
    address: str
    what: str
    detail: str = Field(description="the beginning of what was sent, but for secrets")


class Problem(Shape):
    """RFC 9457 problem details."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str
    instance: str | None = None


class Health(Shape):
    status: Literal["ok", "degraded"]
    parts: dict[str, str] = Field(description="each part of the service and its state in words")
    not_well: list[str] = Field(description="those not well; each comes back by itself, or says what to do")
    last_reading: Time | None
    oldest_unsent_message: Time | None
    quarantined: int | None = Field(
        description="this and what is above is null for those who are not signed in"
    )
