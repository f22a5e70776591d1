"""Replay: what the present limits, or others, say of a past period."""

from collections.abc import Mapping

from fastapi import APIRouter, HTTPException

from underlid.model import Subject
from underlid.replay import Limits, changed_rules, replay, take_past
from underlid.rules.spells import Pair, Spell, side_by_side
from underlid.survey import HOUR_MS
from underlid.web.alarms import subject_names
from underlid.web.context import Ctx
from underlid.web.edge import milliseconds
from underlid.web.shapes import ReplayAsk, ReplayPair, ReplayShape, SpellShape, SubjectShape

router = APIRouter(prefix="/replay", tags=["alarms"])

MOST_DAYS = 366
MOST_H = 24 * 7 * 6 * 100  # subject hours of one replay: six weeks of a hundred


@router.post("")
def ask_replay(ctx: Ctx, ask: ReplayAsk) -> ReplayShape:
    """The alarms that would have been, beside those that were or those of the limits in force. Changes nothing."""
    to_ms = min(milliseconds(ask.to) if ask.to else ctx.clock(), ctx.clock())
    from_ms = milliseconds(ask.from_)
    if to_ms - from_ms > MOST_DAYS * 24 * HOUR_MS:
        raise HTTPException(422, f"More than {MOST_DAYS} days are too much at once; ask for less.")
    named = [Subject(each.kind, each.id) for each in ask.subjects]
    limits: Limits = {Subject(own.subject.kind, own.subject.id): own.limits for own in ask.limits}
    # What is asked while a limit is typed should be there at once.
    pace_ms = HOUR_MS if ask.only_changed else None
    try:
        with ctx.ledger.reading() as connection:
            past = take_past(connection, ctx.readings, from_ms, to_ms, named or None, MOST_H)
            names = subject_names(connection)
        chosen = [subject for subject in past.subjects if not named or subject in named]
        if missing := [subject for subject in named if subject not in past.subjects]:
            raise HTTPException(404, f"There was no {missing[0]} in that time.")
        rules = sorted(changed_rules(past, limits, chosen)) if ask.only_changed else None
        would = replay(past, limits, rules, chosen, pace_ms)
        beside = replay(past, None, rules, chosen, pace_ms) if ask.against == "present-limits" else past.were
    except ValueError as error:
        raise HTTPException(422, f"{str(error).capitalize()}.") from error
    were = [s for s in beside if s.subject in chosen and (rules is None or s.rule in rules)]
    pairs = side_by_side(were, would)
    judged = sorted({spell.rule for spell in (*were, *would)}) if rules is None else rules
    return ReplayShape(from_=from_ms, to=to_ms, rules=judged, pairs=[_pair(pair, names) for pair in pairs])


def _pair(pair: Pair, names: Mapping[Subject, str]) -> ReplayPair:
    subject = pair.first.subject
    return ReplayPair(
        subject=SubjectShape(kind=subject.kind, id=subject.id),
        subject_name=names.get(subject, subject.id),
        rule=pair.first.rule,
        was=_spell(pair.was),
        would=_spell(pair.would),
    )


def _spell(spell: Spell | None) -> SpellShape | None:
    if spell is None:
        return None
    return SpellShape(
        from_=spell.from_ms,
        to=spell.to_ms,
        forecast=spell.forecast,
        priority=spell.priority,
        headline=spell.headline,
    )
