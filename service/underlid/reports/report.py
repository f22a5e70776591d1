"""The weekly report as an object: every figure once, from which text, pages, mail, tables and JSON are made.

Figures are rounded here and nowhere later: to 0.1 % and 0.1 h, to 0.01 °C, kg and L.
"""

from datetime import UTC, date, datetime
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer

from underlid.model import LogKind, Position, Priority, Quantity, SubjectKind

TrendWord = Literal["rising", "falling", "steady", "unknown"]
FrostWord = Literal["soft", "freezing", "frozen-through", "hard-frozen", "thawing", "thawed", "unknown"]


def rfc3339(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _milliseconds(value: object) -> object:
    return round(datetime.fromisoformat(value).timestamp() * 1000) if isinstance(value, str) else value


# Kept as milliseconds inside, written to the second.
Moment = Annotated[
    int, BeforeValidator(_milliseconds), PlainSerializer(rfc3339, return_type=str, when_used="json")
]


class Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Extreme(Part):
    value: float
    at: Moment = Field(description="the first reading of that value, or the beginning it stood at")


class Figures(Part):
    """A week of one quantity at one position. Shares are of the known time, by time and not by count."""

    known_pct: float = Field(description="share of the week for which there is a value")
    in_range_pct: float | None
    below_pct: float | None
    above_pct: float | None
    lowest: Extreme
    median: float
    highest: Extreme
    trend_per_day: float | None
    trend: TrendWord = Field(description="rising or falling where that is sure and more than a little")


class PositionReport(Part):
    position: Position
    quantity: Quantity
    unit: str
    low: float | None = Field(description="within these bounds it is in range")
    high: float | None
    probes: list[str]
    this_week: Figures | None
    week_before: Figures | None
    curve: list[float | None] = Field(description="hourly means from the week's beginning; null: not known")


class Feeding(Part):
    at: Moment
    kg: float | None
    what: str
    corner: str
    left_kg: float | None = Field(description="at the week's end, by the model of breakdown")


class Food(Part):
    """Food given, and what is left of that and of earlier feedings."""

    fed_kg: float
    fed_before_kg: float
    unweighed: int
    left_kg: float
    left_low_kg: float
    left_high_kg: float
    goes_kg: float = Field(description="of what is left, gone in the week to come at this week's temperature")
    feedings: list[Feeding]


class PeakForecast(Part):
    """What was to be expected some hours after the feeding, from what was known by then."""

    made_at: Moment
    peak_c: float
    low_c: float
    high_c: float
    confidence: float
    at_c: float = Field(description="temperature when the forecast was made")


class Heating(Part):
    """What a feeding did: from before it to the highest temperature while it was watched."""

    fed_at: Moment
    kg: float | None
    what: str
    position: Position
    before_c: float
    peak: Extreme
    rise_c: float
    limit_c: float
    too_hot: bool
    watched_h: float
    over: bool = Field(description="false: it may still get warmer")
    forecast: PeakForecast | None
    forecast_left_out: bool = Field(
        default=False, description="of a large farm, forecasts are worked out for the warmest pockets alone"
    )


class Wetting(Part):
    """Water and what the moisture did: 6 h before it, and from when it settled to 6 h later (medians)."""

    at: Moment
    litres: float | None
    position: Position | None
    before_pct: float | None
    after_pct: float | None
    gained_pct: float | None
    expected_pct: float | None = Field(description="gain by the mass balance of the layer")


class Water(Part):
    litres: float
    litres_before: float
    wettings: list[Wetting]


class Spell(Part):
    start: Moment
    end: Moment | None = Field(description="null: it went on at the week's end")
    hours: float
    lowest_c: float


class FrostDay(Part):
    day: date
    state: FrostWord
    lowest_c: float | None


class Frost(Part):
    """Freezing of a tub or of a bin outdoors, by the coldest of its probes; of a tub without one, by the air."""

    limit_c: float
    below_h: float
    hard_frozen_h: float = Field(description="at or below -18 °C; no proof that insects are dead")
    lowest: Extreme
    spells: list[Spell]
    days: list[FrostDay] = Field(description="of a tub")
    from_air: bool = Field(
        default=False, description="estimated from the air of its place, as no probe is in it"
    )


class AlarmLine(Part):
    subject_kind: SubjectKind
    subject_id: str
    name: str
    rule: str
    priority: Priority
    forecast: bool
    headline: str
    advice: str
    raised: Moment
    acknowledged: Moment | None
    returned: Moment | None
    dealt_h: float | None = Field(description="hours until acknowledged or returned, whichever came first")
    standing: bool


class AlarmSummary(Part):
    raised: int
    urgent: int
    dealt: int
    median_dealt_h: float | None
    longest_dealt_h: float | None
    standing: int


class ProbeLine(Part):
    id: str
    name: str
    known_pct: float | None = Field(description="share of the week for which its channels in place are known")
    readings: int
    faulty: int
    spacing_min: float | None
    longest_silence_h: float | None
    battery: float | None
    battery_unit: str
    battery_left_days: float | None = Field(
        description="null: it lasts for two months or more, as far as can be told"
    )
    signal_dbm: float | None
    silent_at_end: bool


class Score(Part):
    """How good forecasts were; errors and widths in `unit`."""

    of: str
    unit: str
    count: int
    confidence: float
    coverage_pct: float
    mean_error: float
    bias: float
    width: float
    mean_error_if_nothing_changed: float | None


class Foretold(Part):
    """A forecast that was told, and what came of it."""

    name: str
    rule: str
    told: Moment
    headline: str
    eta_h: float
    low_h: float
    high_h: float | None
    came_h: float | None
    outcome: Literal["came", "did not come", "somebody saw to it", "not known yet", "not known"]


class Task(Part):
    """Something to do next week; `by` where it is bound to a day."""

    subject_kind: SubjectKind
    subject_id: str
    name: str
    priority: Priority
    by: date | None
    words: str


class Outlook(Part):
    worm_kg: float = Field(description="by now, grown from what was told last")
    worm_told_kg: float | None = Field(default=None, description="by the log, else as given for the bin")
    worm_told: Moment | None = None
    worm_in_4_weeks_kg: float | None
    worm_low_kg: float | None
    worm_high_kg: float | None
    ration_kg_per_week: float | None
    harvest_share_pct: float | None
    harvest_on: date | None
    harvest_low: date | None
    harvest_high: date | None
    split_on: date | None
    split_due: bool
    density_kg_m2: float
    words: str


class LogLine(Part):
    at: Moment
    subject_kind: SubjectKind
    subject_id: str
    name: str
    kind: LogKind
    kg: float | None
    litres: float | None
    what: str
    note: str
    later: Literal["entered", "corrected", "deleted"] | None = Field(
        default=None, description="what was done to it after the week's report was first made"
    )


class Watched(Part):
    """A bin, a tub or a place."""

    kind: SubjectKind
    id: str
    name: str
    place: str
    outdoors: bool
    words: str
    positions: list[PositionReport]
    food: Food | None = None
    heatings: list[Heating] = []
    water: Water | None = None
    frost: Frost | None = None
    alarms: list[AlarmLine] = []
    outlook: Outlook | None = None
    cautions: list[str] = []


class Totals(Part):
    bins: int
    in_range_moisture_pct: float | None = Field(description="of all known time at all positions of bins")
    in_range_temperature_pct: float | None
    in_range_moisture_before_pct: float | None
    in_range_temperature_before_pct: float | None
    known_pct: float | None
    fed_kg: float
    fed_before_kg: float
    litres: float
    litres_before: float
    harvested_kg: float
    alarms: AlarmSummary


class WeeklyReport(Part):
    """How a week went, for a farm or for one thing of it."""

    farm: str
    time_zone: str
    week: str
    start: Moment
    end: Moment
    whole: bool = Field(description="false: the week was not over when this was computed")
    about: str | None = Field(
        default=None, description="kind/id of the one thing it is about; null: the farm"
    )
    totals: Totals
    things: list[Watched]
    probes: list[ProbeLine]
    alarms: list[AlarmLine]
    foretold: list[Foretold]
    scores: list[Score]
    tasks: list[Task]
    log: list[LogLine]
    log_changed_later: list[LogLine] = Field(
        description="log entries entered, corrected or deleted after the week's report was first made"
    )
    cautions: list[str]

    @property
    def bins(self) -> list[Watched]:
        return [thing for thing in self.things if thing.kind is SubjectKind.BIN]

    @property
    def tubs(self) -> list[Watched]:
        return [thing for thing in self.things if thing.kind is SubjectKind.FEED_STORE]

    @property
    def places(self) -> list[Watched]:
        return [thing for thing in self.things if thing.kind is SubjectKind.PLACE]

    def only(self, kind: SubjectKind, id_: str) -> "WeeklyReport":
        """The report on one thing: what concerns it, and its place. Raises KeyError if it is not there."""
        thing = next((t for t in self.things if t.kind is kind and t.id == id_), None)
        if thing is None:
            raise KeyError(id_)
        names = {thing.name}
        probes = {probe for position in thing.positions for probe in position.probes}
        places = [p for p in self.places if p.name == thing.place and p.id != id_]
        return self.model_copy(
            update={
                "about": f"{kind}/{id_}",
                "things": [thing, *places],
                "probes": [probe for probe in self.probes if probe.name in probes],
                "alarms": [a for a in self.alarms if a.subject_kind is kind and a.subject_id == id_],
                "foretold": [f for f in self.foretold if f.name in names],
                "tasks": [t for t in self.tasks if t.subject_kind is kind and t.subject_id == id_],
                "log": [e for e in self.log if e.subject_kind is kind and e.subject_id == id_],
                "log_changed_later": [
                    e for e in self.log_changed_later if e.subject_kind is kind and e.subject_id == id_
                ],
                "scores": [],
                "cautions": thing.cautions,
            }
        )
