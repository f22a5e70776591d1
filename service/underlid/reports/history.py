"""The week's alarms and how fast they were dealt with, and what came of the forecasts that were told."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from underlid.model import AlarmState, Finding, Position, Priority, Quantity, Subject, Transition
from underlid.reports.held import HOUR_MS
from underlid.reports.material import Material
from underlid.reports.report import AlarmLine, AlarmSummary, Foretold, Heating, Score
from underlid.science import scoring
from underlid.science.scoring import score_forecasts

_UP = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
_OVER = (AlarmState.NORMAL, AlarmState.RETURNED)
_TAKEN_ON = ("acknowledged", "shelved", "out-of-service")
_FALLING = ("top-drying", "too-cold", "bin-freezing", "feed-freezing")
_HANDS = ("wetted", "turned", "bedding", "harvest", "split", "lid", "fed")
_CONFIDENCE = 0.8  # of every interval that is told
_CAP_H = 72.0  # stands for 'not at all' and for anything later


@dataclass(frozen=True, slots=True)
class Episode:
    """An alarm from when it was raised until it returned, by its steps up to the report's end."""

    subject: Subject
    rule: str
    finding: Finding  # that it was raised with
    latest: Finding
    raised_ms: int
    taken_on_ms: int | None
    returned_ms: int | None


def episodes(material: Material) -> list[Episode]:
    """What stood at some time of the week, most urgent first, then in order of time."""
    by_alarm: dict[int, list[Transition]] = {}
    for step in material.steps:
        by_alarm.setdefault(step.alarm.id, []).append(step)
    found = [episode for steps in by_alarm.values() for episode in _episodes(steps)]
    from_ms = material.week.from_ms
    during = [e for e in found if e.returned_ms is None or e.returned_ms >= from_ms]
    rank = list(Priority)
    return sorted(during, key=lambda e: (rank.index(e.finding.priority), e.raised_ms, e.subject, e.rule))


def _episodes(steps: Sequence[Transition]) -> Iterable[Episode]:
    up: Episode | None = None
    for step in steps:
        finding = step.alarm.finding
        if step.after in _UP and finding is not None:
            if up is None:
                up = Episode(step.alarm.subject, step.alarm.rule, finding, finding, step.at_ms, None, None)
            up = replace(up, latest=finding)
        if up is not None and step.cause in _TAKEN_ON and up.taken_on_ms is None:
            up = replace(up, taken_on_ms=step.at_ms)
        if up is not None and step.after in _OVER:
            yield replace(up, returned_ms=step.at_ms)
            up = None
    if up is not None:
        yield up


def line(episode: Episode, names: Mapping[Subject, str]) -> AlarmLine:
    ends = [at for at in (episode.taken_on_ms, episode.returned_ms) if at is not None]
    return AlarmLine(
        subject_kind=episode.subject.kind,
        subject_id=episode.subject.id,
        name=names.get(episode.subject, episode.subject.id),
        rule=episode.rule,
        priority=episode.finding.priority,
        forecast=episode.finding.forecast,
        headline=episode.finding.headline,
        advice=episode.finding.advice,
        raised=episode.raised_ms,
        acknowledged=episode.taken_on_ms,
        returned=episode.returned_ms,
        dealt_h=round((min(ends) - episode.raised_ms) / HOUR_MS, 1) if ends else None,
        standing=episode.returned_ms is None,
    )


def summary(lines: Sequence[AlarmLine], from_ms: int) -> AlarmSummary:
    """Counts of those raised since a time; what stands counts however old it is."""
    raised = [each for each in lines if each.raised >= from_ms]
    dealt = [each.dealt_h for each in raised if each.dealt_h is not None]
    return AlarmSummary(
        raised=len(raised),
        urgent=sum(each.priority is Priority.URGENT for each in raised),
        dealt=len(dealt),
        median_dealt_h=round(float(np.median(dealt)), 1) if dealt else None,
        longest_dealt_h=max(dealt, default=None),
        standing=sum(each.standing for each in lines),
    )


def foretold(material: Material, found: Iterable[Episode]) -> list[Foretold]:
    """The forecasts told in the week, each with what came."""
    names = material.basis.names
    out = []
    for episode in found:
        finding = episode.finding
        if not finding.forecast or finding.eta_h is None or episode.raised_ms < material.week.from_ms:
            continue
        low = finding.eta_h if finding.eta_low_h is None else finding.eta_low_h
        high = finding.eta_high_h
        finite = high is not None and math.isfinite(high)
        outcome, came_h = _outcome(material, episode, finding, high if finite else None)
        out.append(
            Foretold(
                name=names.get(episode.subject, episode.subject.id),
                rule=episode.rule,
                told=episode.raised_ms,
                headline=finding.headline,
                eta_h=round(finding.eta_h, 1),
                low_h=round(low, 1),
                high_h=round(high, 1) if finite and high is not None else None,
                came_h=came_h,
                outcome=outcome,  # type: ignore[arg-type]
            )
        )
    return sorted(out, key=lambda each: (each.told, each.name))


def _outcome(
    material: Material, episode: Episode, finding: Finding, high_h: float | None
) -> tuple[str, float | None]:
    """Did the readings pass the limit, and after how many hours; or had somebody put a hand to it?"""
    quantity = Quantity.MOISTURE if finding.unit == "%" else Quantity.TEMPERATURE
    track = material.track(episode.subject, finding.position or Position.CORE, quantity)
    if track is None or finding.limit is None:
        return "not known", None
    after = track.series().since(episode.raised_ms)
    past = after.value < finding.limit if episode.rule in _FALLING else after.value > finding.limit
    came_ms = int(after.time_ms[int(np.argmax(past))]) if past.any() else None
    wait_h = max(2.0 * (finding.eta_h or 0.0), high_h or 0.0)
    until_ms = min(came_ms or material.to_ms, episode.raised_ms + round(wait_h * HOUR_MS))
    log = material.log.get(episode.subject, ())
    if any(e.kind in _HANDS and episode.raised_ms <= e.at_ms < until_ms for e in log):
        return "somebody saw to it", None
    if came_ms is not None and came_ms <= episode.raised_ms + wait_h * HOUR_MS:
        return "came", round((came_ms - episode.raised_ms) / HOUR_MS, 1)
    if episode.raised_ms + wait_h * HOUR_MS > material.to_ms:
        return "not known yet", None
    held = track.held(episode.raised_ms, until_ms)
    if held.known_ms < (until_ms - episode.raised_ms) / 2:
        return "not known", None
    return "did not come", None


def scores(told: Iterable[Foretold], heatings: Iterable[Heating]) -> list[Score]:
    """Peaks after feedings, and hours until a limit, against what came (`science.scoring`)."""
    out = []
    peaks = [(h.peak.value, h.forecast) for h in heatings if h.over and h.forecast is not None]
    if peaks:
        found = score_forecasts(
            [peak for peak, _ in peaks],
            [f.peak_c for _, f in peaks],
            [f.low_c for _, f in peaks],
            [f.high_c for _, f in peaks],
            peaks[0][1].confidence,
            persistence=[f.at_c for _, f in peaks],
        )
        out.append(_score("peak after a feeding, foreseen 6 h after it", "°C", found))
    settled = [each for each in told if each.outcome in ("came", "did not come")]
    if settled:
        found = score_forecasts(
            [math.inf if each.came_h is None else each.came_h for each in settled],
            [each.eta_h for each in settled],
            [each.low_h for each in settled],
            [math.inf if each.high_h is None else each.high_h for each in settled],
            _CONFIDENCE,
            cap=_CAP_H,
        )
        out.append(_score("hours until a limit is passed, as alarms told them", "h", found))
    return out


def _score(of: str, unit: str, found: scoring.Score) -> Score:
    """A score as the report tells it."""
    plain = found.mae_persistence
    return Score(
        of=of,
        unit=unit,
        count=found.count,
        confidence=found.confidence,
        coverage_pct=round(100.0 * found.coverage, 1),
        mean_error=round(found.mae, 2),
        bias=round(found.bias, 2),
        width=round(found.sharpness, 2),
        mean_error_if_nothing_changed=None if math.isnan(plain) else round(plain, 2),
    )
