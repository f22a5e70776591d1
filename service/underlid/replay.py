"""Replay: what the rules say of a past period, with the present limits or with others.

A replay judges as the watch does, with the same rules and the same life cycle, but at moments of its own: at each
rule's pace and whenever a delay ends. What the keeper did with alarms is done again at its time. So the same stores
and limits give the same alarms, however often it is run.

Each reading counts from its own time on, also one that came in late; the catalogue is the present one.
"""

import math
import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import groupby
from multiprocessing import get_context

from underlid.model import Alarm, Bin, Farm, FeedStore, Place, Series, Subject, SubjectKind, Transition
from underlid.rules import life
from underlid.rules.catalogue import Rule, rules_for
from underlid.rules.situation import BATTERY_BACK_H
from underlid.rules.spells import Spell, spells, within
from underlid.situations import Airs, situation
from underlid.store import alarms as alarm_store
from underlid.store.ledger import Connection
from underlid.store.readings import Readings
from underlid.survey import FARM, HOUR_MS, Survey, take_surveys

POOL_FROM_H = 2_000  # subject hours; fewer are done before another process is up

Limits = Mapping[Subject, Mapping[str, float]]  # own limits of the farm, places, bins and feed stores


@dataclass(frozen=True, slots=True)
class Act:
    """What the keeper did with an alarm: the cause of its step, and until when it was shelved."""

    at_ms: int
    rule: str
    cause: str
    until_ms: int


@dataclass(frozen=True, slots=True)
class Past:
    """A period as the stores hold it: surveys, each from a time on; readings by channel; what the keeper did."""

    from_ms: int
    to_ms: int
    surveys: Sequence[tuple[int, Survey]]
    series: Mapping[int, Series]
    acts: Mapping[Subject, Sequence[Act]]
    were: Sequence[Spell] = field(repr=False)

    @property
    def subjects(self) -> list[Subject]:
        return sorted(_there(self.surveys))


@dataclass(frozen=True, slots=True)
class _Heard:
    """The readings up to a moment."""

    series: Mapping[int, Series]
    now_ms: int

    def window(self, channel_id: int, from_ms: int, to_ms: int) -> Series:
        return self.series[channel_id].since(from_ms).until(min(to_ms, self.now_ms))


def take_past(
    connection: Connection,
    readings: Readings,
    from_ms: int,
    to_ms: int,
    subjects: Collection[Subject] | None = None,
    most_h: float = math.inf,
) -> Past:
    """Read what a replay of a period needs, of all or of some bins and feed stores.

    Raises ValueError where it ends before it begins, or is of more than so many subject hours.
    """
    if to_ms <= from_ms:
        raise ValueError("a replay must end after it begins")
    surveys = take_surveys(connection, from_ms, to_ms)
    there = _there(surveys)
    hours = (to_ms - from_ms) / HOUR_MS * len(there if subjects is None else there & set(subjects))
    if hours > most_h:
        raise ValueError(f"{hours / 24:.0f} days of subjects are too much at once; ask for less")
    back_ms = from_ms - BATTERY_BACK_H * HOUR_MS
    needed = {id_ for _, survey in surveys for id_ in _channels(survey, subjects)}
    series = {id_: readings.window(id_, back_ms, to_ms) for id_ in sorted(needed)}
    steps = alarm_store.transitions(connection, from_ms, to_ms)
    were = within(spells(steps), from_ms, to_ms)
    return Past(from_ms, to_ms, surveys, series, _acts(steps, from_ms, to_ms), were)


def _there(surveys: Iterable[tuple[int, Survey]]) -> set[Subject]:
    """All that there was at any time."""
    return {subject for _, survey in surveys for subject in survey.things}


def _channels(survey: Survey, subjects: Iterable[Subject] | None) -> set[int]:
    """What the rules may look at of subjects; of a probe or the farm, all that there is."""
    found: set[int] = set()
    for subject in survey.things if subjects is None else subjects:
        thing = survey.things.get(subject)
        if not isinstance(thing, Bin | FeedStore):
            return set(survey.channels)
        place = Subject(SubjectKind.PLACE, thing.place_id)
        found |= {p.channel_id for each in (subject, place) for p in survey.placements.get(each, ())}
    return found


def replay(
    past: Past,
    limits: Limits | None = None,
    rules: Iterable[str] | None = None,
    subjects: Iterable[Subject] | None = None,
    pace_ms: int | None = None,
) -> list[Spell]:
    """The alarms that would have been. `limits` takes the place of what subjects have of their own, `pace_ms` of the
    rules' paces.

    Raises ValueError for limits that can't be. Much work is shared among the computer's cores.
    """
    if limits:
        past = replace(past, surveys=[(at, with_limits(survey, limits)) for at, survey in past.surveys])
    for _, survey in past.surveys:
        for thing in survey.things.values():
            survey.limits(thing)  # refused here rather than in the middle
    only = None if rules is None else frozenset(rules)
    chosen = [s for s in (past.subjects if subjects is None else sorted(subjects)) if _rules(s, only)]
    hours = (past.to_ms - past.from_ms) / HOUR_MS * len(chosen)
    cores = os.cpu_count() or 1
    if hours < POOL_FROM_H or cores == 1:
        steps = _share(past, chosen, only, pace_ms)
    else:
        shares = [chosen[n::cores] for n in range(min(cores, len(chosen)))]
        # Not forked: the service has threads that a fork would tear.
        with ProcessPoolExecutor(len(shares), mp_context=get_context("spawn")) as pool:
            work = [pool.submit(_share, past, share, only, pace_ms) for share in shares]
            steps = [step for done in work for step in done.result()]
    return spells(steps)


def changed_rules(past: Past, limits: Limits, subjects: Iterable[Subject]) -> set[str]:
    """The rules that look at a limit that would be another for any of the subjects. ValueError for what can't be."""
    found: set[str] = set()
    for _, survey in past.surveys:
        other = with_limits(survey, limits)
        for subject in set(subjects) & survey.things.keys():
            other.limits(other.things[subject])  # refused where no season may have it
            names: set[str] = set()
            for at_ms in (past.from_ms, past.to_ms):
                then = other.limits(other.things[subject], at_ms)
                names |= {
                    r.name for r in survey.limits(survey.things[subject], at_ms) if then[r.name] != r.value
                }
            found |= {rule.id for rule in rules_for(subject.kind) if rule.reads & names}
    return found


def _share(
    past: Past, subjects: Sequence[Subject], only: frozenset[str] | None, pace_ms: int | None
) -> list[Transition]:
    airs: Airs = {}
    return [step for subject in subjects for step in play(past, subject, only, pace_ms, airs)[1]]


def _rules(subject: Subject, only: frozenset[str] | None) -> list[Rule]:
    return [rule for rule in rules_for(subject.kind) if only is None or rule.id in only]


def play(
    past: Past,
    subject: Subject,
    only: frozenset[str] | None = None,
    pace_ms: int | None = None,
    airs: Airs | None = None,
) -> tuple[list[Alarm], list[Transition]]:
    """One subject through the period: its alarms as they are at the end, and every step they took.

    `pace_ms` takes the place of the rules' own paces.
    """
    rules = _rules(subject, only)
    alarms = {rule.id: Alarm(0, subject, rule.id) for rule in rules}
    wake_ms = dict.fromkeys(alarms, past.from_ms)
    todo = [act for act in past.acts.get(subject, ()) if act.rule in alarms]
    ahead = [*past.surveys]
    survey = ahead[0][1]
    taken: list[Transition] = []
    now_ms = past.from_ms
    while now_ms <= past.to_ms:
        while ahead and ahead[0][0] <= now_ms:
            survey = ahead.pop(0)[1]
            wake_ms = dict.fromkeys(alarms, now_ms)
        while todo and todo[0].at_ms <= now_ms:
            act = todo.pop(0)
            alarms[act.rule], steps = _again(alarms[act.rule], act)
            taken += steps
            wake_ms[act.rule] = now_ms
        if subject in survey.things:
            active = {id_: life.is_up(alarm) for id_, alarm in alarms.items()}
            seen = situation(survey, _Heard(past.series, now_ms), subject, now_ms, active, airs)
            for rule in rules:
                if wake_ms[rule.id] > now_ms:
                    continue
                delays = rule.on_delay_ms(seen.limits), rule.off_delay_ms(seen.limits)
                alarms[rule.id], steps = life.advance(alarms[rule.id], rule.judge(seen), now_ms, *delays)
                taken += steps
                step_ms = pace_ms or rule.pace_ms
                next_ms = past.from_ms + ((now_ms - past.from_ms) // step_ms + 1) * step_ms
                wake_ms[rule.id] = min(next_ms, life.next_due_ms(alarms[rule.id], now_ms, *delays) or next_ms)
        else:
            wake_ms = dict.fromkeys(alarms, past.to_ms + 1)
            for id_, alarm in alarms.items():
                alarms[id_], steps = life.withdraw(alarm, now_ms)
                taken += steps
        next_acts = [act.at_ms for act in todo[:1]] + [at for at, _ in ahead[:1]]
        now_ms = min([*wake_ms.values(), *next_acts], default=past.to_ms + 1)
    return list(alarms.values()), taken


def _again(alarm: Alarm, act: Act) -> tuple[Alarm, tuple[Transition, ...]]:
    """Do again what the keeper did, where there is an alarm to do it with."""
    try:
        match act.cause:
            case "acknowledged":
                return life.acknowledge(alarm, act.at_ms, "keeper")
            case "shelved":
                return life.shelve(alarm, act.at_ms, act.until_ms, "", "keeper")
            case "unshelved":
                return life.unshelve(alarm, act.at_ms, "keeper")
            case "out-of-service":
                return life.take_out_of_service(alarm, act.at_ms, "", "keeper")
            case "in-service":
                return life.return_to_service(alarm, act.at_ms, "keeper")
    except ValueError:
        pass  # with these limits there is none
    return alarm, ()


def _acts(steps: Iterable[Transition], from_ms: int, to_ms: int) -> dict[Subject, list[Act]]:
    """What the keeper did in the period, and what was shelved or out of service when it began."""
    found: dict[Subject, list[Act]] = {}
    by_alarm = sorted(steps, key=lambda step: (step.alarm.subject, step.alarm.rule))
    for (subject, rule), own in groupby(by_alarm, key=lambda step: (step.alarm.subject, step.alarm.rule)):
        history = list(own)
        for place, step in enumerate(history):
            ends = next((s.at_ms for s in history[place + 1 :] if s.cause == "unshelved"), to_ms + 1)
            stands = place + 1 == len(history) or history[place + 1].at_ms >= from_ms
            if step.at_ms >= from_ms and step.by:
                found.setdefault(subject, []).append(Act(step.at_ms, rule, step.cause, ends))
            elif step.at_ms < from_ms and stands and step.cause in ("shelved", "out-of-service"):
                found.setdefault(subject, []).append(Act(from_ms, rule, step.cause, ends))
    return {subject: sorted(acts, key=lambda act: (act.at_ms, act.rule)) for subject, acts in found.items()}


def with_limits(survey: Survey, limits: Limits) -> Survey:
    """The survey with other limits of subjects' own. Raises ValueError for a subject that has none."""
    things = dict(survey.things)
    for subject, own in limits.items():
        thing = things.get(subject)
        if not isinstance(thing, Bin | FeedStore | Place | Farm):
            raise ValueError(f"there is no {subject.kind.value} '{subject.id}' with limits of its own")
        things[subject] = replace(thing, limits=own)
    farm = things[FARM]
    assert isinstance(farm, Farm)
    return replace(survey, farm=farm, things=things)
