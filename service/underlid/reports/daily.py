"""The daily summary: three lines for a phone, and all behind them for a letter. Pure."""

from collections.abc import Mapping, Sequence
from datetime import date

from pydantic import Field

from underlid.model import (
    Alarm,
    AlarmState,
    Finding,
    Position,
    Priority,
    Quantity,
    Subject,
    SubjectKind,
    Verdict,
)
from underlid.reports.report import Moment, Part
from underlid.rules.condition import Condition
from underlid.rules.words import POSITION_WORDS, hours

LINE = 110  # letters that a phone shows of a line before it folds it
SHORT = 44  # of each thing, where there are several
_ASKS = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
_NOW = (Priority.URGENT, Priority.TODAY)
_WITHIN_H = 72.0
_PLURAL = {SubjectKind.BIN: "bins", SubjectKind.FEED_STORE: "tubs", SubjectKind.PROBE: "probes"}


class Item(Part):
    """One thing that asks for hands, or is to come."""

    subject_kind: SubjectKind
    subject_id: str
    name: str
    priority: Priority
    headline: str
    advice: str
    caution: str
    answered: bool = Field(description="somebody has acknowledged it")
    brief: str = Field(description="a few words of what to do or what is to come")
    quantity: Quantity | None


class Trace(Part):
    """Two days of one quantity at one thing, to draw: hourly means by position, with bounds."""

    subject_kind: SubjectKind
    subject_id: str
    name: str
    quantity: Quantity
    start: Moment
    curves: dict[Position, list[float | None]]
    low: float | None
    high: float | None


class DailySummary(Part):
    """What a day asks for. `lines`: what needs hands today, what is coming, what is fine."""

    farm: str
    time_zone: str
    day: date
    made: Moment
    title: str
    lines: tuple[str, str, str]
    hands: list[Item]
    coming: list[Item]
    traces: list[Trace] = Field(default_factory=list)

    @property
    def is_fine(self) -> bool:
        """Nothing to do and nothing to come."""
        return not self.hands and not self.coming


def summary(
    farm: str,
    zone: str,
    day: date,
    now_ms: int,
    alarms: Sequence[Alarm],
    conditions: Mapping[Subject, Condition],
    names: Mapping[Subject, str],
) -> DailySummary:
    """A day's summary from the alarms as they are, the condition of every bin and tub, and all names."""
    standing = [
        a for a in alarms if a.state in _ASKS and a.finding is not None and a.finding.verdict is Verdict.HOLDS
    ]
    rank = list(Priority)
    items = [_item(a, a.finding, names) for a in standing if a.finding is not None]
    items.sort(key=lambda item: (rank.index(item.priority), item.answered, item.name))
    hands = [item for item in items if item.priority in _NOW]
    coming = [item for item in items if item.priority is Priority.ROUND]
    told = {(item.subject_kind, item.subject_id) for item in items}
    coming += _ahead(conditions, names, told)
    return DailySummary(
        farm=farm,
        time_zone=zone,
        day=day,
        made=now_ms,
        title=_title(farm, hands, coming),
        lines=(
            _line("Today", hands, "nothing needs hands"),
            _line("Coming", coming, "nothing"),
            _fine(names, conditions, told),
        ),
        hands=hands,
        coming=coming,
    )


def _item(alarm: Alarm, finding: Finding, names: Mapping[Subject, str]) -> Item:
    name = names.get(alarm.subject, alarm.subject.id)
    return Item(
        subject_kind=alarm.subject.kind,
        subject_id=alarm.subject.id,
        name=name,
        priority=finding.priority,
        headline=finding.headline,
        advice=finding.advice,
        caution=finding.caution,
        answered=alarm.state is AlarmState.ACKNOWLEDGED,
        brief=_brief(finding, name),
        quantity=_quantity(finding),
    )


def _brief(finding: Finding, name: str) -> str:
    """'sprinkle 0.8 L over the top'; without advice, what is the matter."""
    advice = finding.advice.partition(". ")[0].removesuffix(".")
    if advice.startswith("Within ") and ": " in advice:
        advice = advice.partition(": ")[2]
    if advice:
        return advice[0].lower() + advice[1:]
    return finding.headline.removeprefix(f"{name}: ").removeprefix(f"{name} ")


def _quantity(finding: Finding) -> Quantity | None:
    return {"%": Quantity.MOISTURE, "Cel": Quantity.TEMPERATURE}.get(finding.unit)


def _ahead(
    conditions: Mapping[Subject, Condition], names: Mapping[Subject, str], told: set[tuple[SubjectKind, str]]
) -> list[Item]:
    """Limits that will be passed within three days, of which no alarm speaks yet."""
    found = []
    for subject, condition in conditions.items():
        if (subject.kind, subject.id) in told:
            continue
        soon = [p for p in condition.positions if p.forecast is not None and p.forecast.eta_h <= _WITHIN_H]
        if not soon:
            continue
        first = min(soon, key=lambda p: p.forecast.eta_h if p.forecast is not None else 0.0)
        assert first.forecast is not None
        past = {Quantity.MOISTURE: "too dry", Quantity.TEMPERATURE: "past its limit"}.get(
            first.quantity, "past its limit"
        )
        if subject.kind is SubjectKind.FEED_STORE:
            past = "freezing"
        brief = f"{POSITION_WORDS[first.position]} {past} in about {hours(first.forecast.eta_h)}"
        name = names.get(subject, subject.id)
        item = Item(
            subject_kind=subject.kind,
            subject_id=subject.id,
            name=name,
            priority=Priority.ROUND,
            headline=f"{name}: {brief}",
            advice="",
            caution="",
            answered=False,
            brief=brief,
            quantity=first.quantity,
        )
        found.append((first.forecast.eta_h, item))
    return [item for _, item in sorted(found, key=lambda pair: (pair[0], pair[1].name))]


def _title(farm: str, hands: Sequence[Item], coming: Sequence[Item]) -> str:
    if hands:
        count = len({(item.subject_kind, item.subject_id) for item in hands})
        return f"{farm}: {count} need{'s' if count == 1 else ''} hands today"
    return f"{farm}: nothing to do today" + (", something is coming" if coming else "")


def _line(lead: str, items: Sequence[Item], nothing: str) -> str:
    """'Today: Hazel, sprinkle 0.8 L over the top; and 2 more', never longer than a phone shows."""
    if not items:
        return f"{lead}: {nothing}."
    room = LINE - len(lead) - 2
    each = [_cut(f"{item.name}, {item.brief}", room if len(items) == 1 else SHORT) for item in items]
    said = each[0]
    for index, more in enumerate(each[1:], start=1):
        if len(said) + 2 + len(more) + _room(len(each) - index - 1) > room:
            return f"{lead}: {said}; and {len(each) - index} more"
        said += f"; {more}"
    return f"{lead}: {said}"


def _room(left: int) -> int:
    return len(f"; and {left} more") if left else 0


def _cut(words: str, most: int) -> str:
    return words if len(words) <= most else words[: most - 1].rsplit(" ", 1)[0].rstrip(",;:") + "…"


def _fine(
    names: Mapping[Subject, str], conditions: Mapping[Subject, Condition], told: set[tuple[SubjectKind, str]]
) -> str:
    """'Fine: 8 of 10 bins, 1 of 2 tubs, all 14 probes.'"""
    parts = []
    for kind, plural in _PLURAL.items():
        subjects = [s for s in names if s.kind is kind and (kind is SubjectKind.PROBE or s in conditions)]
        well = [s for s in subjects if (s.kind, s.id) not in told and _is_known(s, conditions)]
        if subjects:
            one = plural.removesuffix("s")
            if len(well) == len(subjects):
                parts.append(f"the {one}" if len(subjects) == 1 else f"all {len(subjects)} {plural}")
            elif well:
                parts.append(f"{len(well)} of {len(subjects)} {plural}")
    return f"Fine: {', '.join(parts)}." if parts else "Fine: nothing is known to be."


def _is_known(subject: Subject, conditions: Mapping[Subject, Condition]) -> bool:
    """A bin or tub of which nothing fresh is known is not called fine."""
    if subject.kind is SubjectKind.PROBE:
        return True
    return any(position.state != "stale" for position in conditions[subject].positions)
