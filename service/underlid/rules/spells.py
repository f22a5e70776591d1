"""Spells: each time that an alarm was up, from its beginning to its end, as its transitions tell.

Two lists of spells are laid side by side: those that were and those that would have been.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from underlid.model import AlarmState, Priority, Subject, Transition

UP = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
_CLOSE_MS = 3_600_000  # spells so far apart are of the same cause


@dataclass(frozen=True, slots=True)
class Spell:
    """One time that an alarm was up. `to_ms` None: it still is. `ended`: the cause of its last step.

    `forecast`: it began as a forecast; `true_ms` is when that came true. `false_ms`: when the keeper marked it.
    """

    subject: Subject
    rule: str
    from_ms: int
    to_ms: int | None
    forecast: bool
    priority: Priority
    headline: str
    true_ms: int | None = None
    acknowledged_ms: int | None = None
    ended: str = ""
    false_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Pair:
    """The same alarm as it was and as it would have been; None where there was or would have been none."""

    was: Spell | None
    would: Spell | None

    @property
    def first(self) -> Spell:
        one = self.was or self.would
        assert one is not None
        return one


def begins(before: AlarmState, after: AlarmState) -> bool:
    """Does a step begin a spell?"""
    return before not in UP and after in UP


def spells(transitions: Iterable[Transition]) -> list[Spell]:
    """The spells of any number of alarms, by their beginnings; the steps of each alarm oldest first."""
    found: list[Spell] = []
    up: dict[tuple[Subject, str], Spell] = {}
    for step in transitions:
        key = step.alarm.subject, step.alarm.rule
        spell = up.get(key)
        if spell is None:
            if step.after in UP:
                up[key] = _begun(step)
        elif step.after not in UP:
            # A returned alarm that is acknowledged only then was seen only then.
            found.append(replace(spell, to_ms=step.at_ms, ended=step.cause))
            del up[key]
        elif step.cause == "acknowledged" and spell.acknowledged_ms is None:
            up[key] = replace(spell, acknowledged_ms=step.at_ms)
        elif step.cause == "worsened" and spell.true_ms is None:
            up[key] = replace(spell, true_ms=step.at_ms)
        if spell is None and step.cause == "acknowledged":
            _seen_late(found, key, step.at_ms)
    found += up.values()
    return sorted(found, key=lambda one: (one.from_ms, one.subject, one.rule))


def _begun(step: Transition) -> Spell:
    finding = step.alarm.finding
    return Spell(
        step.alarm.subject,
        step.alarm.rule,
        step.at_ms,
        None,
        finding.forecast if finding else False,
        finding.priority if finding else Priority.ROUND,
        finding.headline if finding else "",
        acknowledged_ms=step.at_ms if step.after is AlarmState.ACKNOWLEDGED else None,
        false_ms=step.false_ms,
    )


def _seen_late(found: list[Spell], key: tuple[Subject, str], at_ms: int) -> None:
    """An alarm that was over when it was acknowledged."""
    for place in range(len(found) - 1, -1, -1):
        one = found[place]
        if (one.subject, one.rule) == key:
            if one.acknowledged_ms is None:
                found[place] = replace(one, acknowledged_ms=at_ms)
            return


def within(found: Iterable[Spell], from_ms: int, to_ms: int) -> list[Spell]:
    """Those that were up at any time of a period."""
    return [one for one in found if one.from_ms <= to_ms and (one.to_ms is None or one.to_ms >= from_ms)]


def side_by_side(were: Sequence[Spell], would: Sequence[Spell]) -> list[Pair]:
    """Each spell that would have been with the one that was at that time, and those with no counterpart.

    One long spell may be the counterpart of two short ones.
    """
    rest = list(were)
    pairs = []
    for one in would:
        same = next((other for other in (*rest, *were) if _is_same(one, other)), None)
        if same in rest:
            rest.remove(same)
        pairs.append(Pair(same, one))
    pairs += [Pair(one, next((other for other in would if _is_same(one, other)), None)) for one in rest]
    return sorted(pairs, key=lambda pair: (pair.first.from_ms, pair.first.subject, pair.first.rule))


def _is_same(one: Spell, other: Spell) -> bool:
    if (one.subject, one.rule) != (other.subject, other.rule):
        return False
    starts = max(one.from_ms, other.from_ms)
    ends = [spell.to_ms for spell in (one, other) if spell.to_ms is not None]
    return not ends or starts <= min(ends) + _CLOSE_MS
