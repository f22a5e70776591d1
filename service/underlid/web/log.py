"""The keeper's log: written, corrected, deleted, and what the rules make of it."""

from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Query

from underlid.model import Alarm, AlarmState, LogEntry, LogKind, Subject
from underlid.rules.after_entry import answers, effects
from underlid.store import alarms as alarm_store
from underlid.store import catalogue, photos
from underlid.store import log as keepers_log
from underlid.store.ledger import Connection
from underlid.survey import CLOCK_AHEAD_MS, take_survey
from underlid.web.context import Context, Ctx
from underlid.web.edge import Id, mark, milliseconds, subject_from
from underlid.web.farm import Limit
from underlid.web.photos import photo_shape, sweep
from underlid.web.problems import not_found
from underlid.web.shapes import (
    AnswerShape,
    EffectShape,
    LogChange,
    LogDetail,
    LogNew,
    LogShape,
    Page,
    RevisionShape,
    SubjectShape,
)

router = APIRouter(prefix="/log", tags=["log"])

# What an entry must tell to be of use to the rules.
AMOUNTS = {"fed": "amount_kg", "wetted": "amount_l", "harvest": "amount_kg", "worms": "amount_kg"}
_UP = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


@router.get("")
def list_log(
    ctx: Ctx,
    subject: str | None = None,
    kind: LogKind | None = None,
    from_: Annotated[datetime | None, Query(alias="from")] = None,
    to: datetime | None = None,
    deleted: bool = False,
    limit: Limit = 200,
    after: str | None = None,
) -> Page[LogShape]:
    """Newest first: those that hold, or the deleted ones."""
    with ctx.ledger.reading() as connection:
        entries = keepers_log.entries(
            connection,
            milliseconds(from_) if from_ else 0,
            milliseconds(to) if to else ctx.clock() + CLOCK_AHEAD_MS,
            subject_from(subject) if subject else None,
            kind,
            limit + 1,
            mark(after),
            deleted=deleted,
        )
        items = _shapes(connection, entries[:limit])
    last = entries[limit - 1] if len(entries) > limit else None
    return Page(items=items, next=f"{last.at_ms}-{last.id}" if last else None)


@router.post("", status_code=201)
def add_entry(ctx: Ctx, new: LogNew) -> LogShape:
    """Write an entry; one whose key was used before is not written again, but given as it stands."""
    if new.key is not None:
        with ctx.ledger.reading() as connection:
            known = keepers_log.by_key(connection, new.key)
            if known is not None:
                return _shape(connection, known)
    at_ms = milliseconds(new.at) if new.at else ctx.clock()
    subject = Subject(new.subject.kind, new.subject.id)
    entry = LogEntry(
        0, at_ms, subject, new.kind, new.amount_kg, new.amount_l, new.what, new.corner, new.note, new.key
    )
    with ctx.ledger.writing() as connection:
        _check(ctx, connection, entry)
        # Asked again under the lock: the same entry may have been on its way twice.
        known = keepers_log.by_key(connection, new.key) if new.key is not None else None
        if known is not None:
            return _shape(connection, known)
        entry = keepers_log.add(connection, entry)
        shape = _shape(connection, entry)
    ctx.logged(entry)
    _tell(ctx, entry)
    return shape


@router.get("/{entry_id}")
def get_entry(ctx: Ctx, entry_id: Id) -> LogDetail:
    """An entry, how it read before it was corrected, and what the rules make of it; a deleted one too."""
    with ctx.ledger.reading() as connection:
        entry = _found(connection, entry_id)
        survey = take_survey(connection, ctx.clock())
        thing = survey.things.get(entry.subject)
        limits = {row.name: row.value for row in survey.limits(thing, ctx.clock())} if thing else {}
        held = entry.deleted_ms is None
        return LogDetail(
            **_shape(connection, entry).model_dump(),
            earlier=[
                RevisionShape(until=until_ms, **_words(before))
                for until_ms, before in keepers_log.earlier(connection, entry)
            ],
            effects=[EffectShape(effect=e.effect, at=e.at_ms) for e in effects(entry, limits)]
            if held
            else [],
            answers=_answers(connection, entry) if held else [],
        )


@router.patch("/{entry_id}")
def correct_entry(ctx: Ctx, entry_id: Id, change: LogChange) -> LogShape:
    """Correct an entry; how it read before is kept, and its subject is judged anew."""
    with ctx.ledger.writing() as connection:
        before = _held(connection, entry_id)
        values = change.model_dump(exclude_unset=True, exclude={"subject", "at"})
        values |= {name: "" for name in ("what", "corner", "note") if values.get(name, "") is None}
        if change.subject is not None:
            values["subject"] = Subject(change.subject.kind, change.subject.id)
        if change.at is not None:
            values["at_ms"] = milliseconds(change.at)
        if values.get("kind", "") is None:
            del values["kind"]
        entry = replace(before, **values)
        if entry != before:
            _check(ctx, connection, entry)
            entry = keepers_log.correct(connection, entry, ctx.clock())
        shape = _shape(connection, entry)
    _tell(ctx, before)
    _tell(ctx, entry)
    return shape


@router.delete("/{entry_id}")
def delete_entry(ctx: Ctx, entry_id: Id) -> LogShape:
    """Delete an entry: no rule reads it any more. It can be restored; its photos only for 30 days."""
    with ctx.ledger.writing() as connection:
        entry = keepers_log.set_deleted(connection, _held(connection, entry_id).id, ctx.clock())
        shape = _shape(connection, entry)
    sweep(ctx)
    _tell(ctx, entry)
    return shape


@router.post("/{entry_id}/restore")
def restore_entry(ctx: Ctx, entry_id: Id) -> LogShape:
    """Take a deletion back; an entry that holds stays as it is."""
    with ctx.ledger.writing() as connection:
        entry = keepers_log.set_deleted(connection, _found(connection, entry_id).id, None)
        shape = _shape(connection, entry)
    _tell(ctx, entry)
    return shape


def _check(ctx: Context, connection: Connection, entry: LogEntry) -> None:
    """Raises a 422 or 404 for an entry that can't be."""
    amount = AMOUNTS.get(entry.kind)
    if amount and not getattr(entry, amount):
        raise HTTPException(422, f"'{entry.kind}' needs {amount}, more than 0.")
    if entry.at_ms > ctx.clock() + CLOCK_AHEAD_MS:
        raise HTTPException(422, "'at' lies in the future; a log tells what was done.")
    if entry.subject not in catalogue.names(connection):
        raise not_found(entry.subject.kind.value.replace("-", " "), entry.subject.id)


def _tell(ctx: Context, entry: LogEntry) -> None:
    ctx.subject_changed(entry.subject)
    ctx.nudge("log", str(entry.id))


def _found(connection: Connection, entry_id: int) -> LogEntry:
    entry = keepers_log.by_id(connection, entry_id)
    if entry is None:
        raise not_found("log entry", entry_id)
    return entry


def _held(connection: Connection, entry_id: int) -> LogEntry:
    entry = _found(connection, entry_id)
    if entry.deleted_ms is not None:
        raise HTTPException(409, f"Log entry '{entry_id}' is deleted; restore it first.")
    return entry


def _answers(connection: Connection, entry: LogEntry) -> list[AnswerShape]:
    """The alarms that stood when the entry was made and that such a deed answers."""
    likely = [a for a in alarm_store.alarms(connection, entry.subject) if answers(a.rule, entry.kind)]
    found = [_answer(connection, alarm, entry.at_ms) for alarm in likely]
    return [answer for answer in found if answer is not None]


def _answer(connection: Connection, alarm: Alarm, at_ms: int) -> AnswerShape | None:
    steps = list(reversed(alarm_store.history(connection, alarm)))
    before = [step for step in steps if step.at_ms <= at_ms]
    if not before or before[-1].after not in _UP:
        return None
    raised = next((step for step in reversed(before) if step.cause == "raised"), before[0])
    over = next((step for step in steps if step.at_ms > at_ms and step.after not in _UP), None)
    finding = before[-1].alarm.finding
    return AnswerShape(
        alarm=alarm.id,
        rule=alarm.rule,
        headline=finding.headline if finding else "",
        raised=raised.at_ms,
        returned=over.at_ms if over and over.cause == "returned" else None,
    )


def _shapes(connection: Connection, entries: list[LogEntry]) -> list[LogShape]:
    taken = photos.of_entries(connection, [entry.id for entry in entries])
    return [
        LogShape(
            id=entry.id,
            **_words(entry),
            key=entry.key,
            corrected=entry.corrected_ms,
            deleted=entry.deleted_ms,
            photos=[photo_shape(photo) for photo in taken.get(entry.id, [])],
        )
        for entry in entries
    ]


def _shape(connection: Connection, entry: LogEntry) -> LogShape:
    return _shapes(connection, [entry])[0]


def _words(entry: LogEntry) -> dict[str, Any]:
    return {
        "at": entry.at_ms,
        "subject": SubjectShape(kind=entry.subject.kind, id=entry.subject.id),
        "kind": entry.kind,
        "amount_kg": entry.amount_kg,
        "amount_l": entry.amount_l,
        "what": entry.what,
        "corner": entry.corner,
        "note": entry.note,
    }
