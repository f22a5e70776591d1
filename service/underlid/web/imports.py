"""Tables of readings or of a log taken in: looked at, tried, and taken, each as often as one likes.

Whoever sends a large table sends it piece by piece, at ends of lines: what was taken once changes nothing again.
"""

import io
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException
from pydantic import Field

from underlid.calibrate import Calibrations
from underlid.exchange.columns import Column, ReadingsMap
from underlid.exchange.guess import guess
from underlid.exchange.log_columns import LogMap, guess_log
from underlid.exchange.log_take import take_log
from underlid.exchange.moments import Order
from underlid.exchange.sheet import look_at
from underlid.exchange.sources import What, what_of
from underlid.exchange.take import Refused, Taking
from underlid.exchange.zones import Twice
from underlid.model import LogKind
from underlid.store import catalogue
from underlid.web.context import Ctx
from underlid.web.shapes import Shape, SubjectShape, Time

router = APIRouter(prefix="/imports", tags=["imports"])

SHOWN_ROWS = 5
Index = Annotated[int, Field(ge=0, le=10_000, description="a column, counted from 0")]
Words = Annotated[str, Field(max_length=200)]
Lines = Annotated[
    str, Field(max_length=16 << 20, description="whole lines, with their ends, without the header")
]
FirstLine = Annotated[int, Field(ge=1, le=2**53, description="the number of the first of them in the file")]


class ColumnShape(Shape):
    index: Index
    probe: Words
    channel: Words
    unit: Words


class ReadingsMapShape(Shape):
    """How a table of readings is read. Wide: `columns`. Long: `value` and the columns beside it, or fixed words."""

    separator: Annotated[str, Field(max_length=1)]
    width: Index
    time: Index
    order: Order
    zone: Words
    clock: Index | None = None
    twice: Twice = "refuse"
    decimal: Annotated[str, Field(pattern=r"^[.,]$")] = "."
    columns: list[ColumnShape] = Field(default_factory=list, max_length=1000)
    value: Index | None = None
    probe: Index | Words = ""
    channel: Index | Words = ""
    unit: Index | Words = ""


class LogMapShape(Shape):
    """How a table of log entries is read: columns, or words for every row alike."""

    separator: Annotated[str, Field(max_length=1)]
    width: Index
    time: Index
    order: Order
    zone: Words
    subject: Index | Words
    kind: Index | Words = ""
    clock: Index | None = None
    twice: Twice = "refuse"
    decimal: Annotated[str, Field(pattern=r"^[.,]$")] = "."
    what: Index | None = None
    amount: Index | None = None
    unit: Words = ""
    amount_kg: Index | None = None
    amount_l: Index | None = None
    corner: Index | None = None
    note: Index | None = None
    key: Index | None = None


class LookNew(Shape):
    text: str = Field(max_length=300_000, description="the beginning of the table, header and all")
    what: What | None = Field(None, description="null: by the header")


class LookShape(Shape):
    """What the beginning of a table tells, and `questions` that it leaves open."""

    what: What
    header: list[str]
    header_line: int = Field(description="0: there is none")
    rows: list[list[str]]
    readings: ReadingsMapShape | None = None
    log: LogMapShape | None = None
    questions: list[str]


class ReadingsImport(Shape):
    map: ReadingsMapShape
    lines: Lines
    first_line: FirstLine
    dry_run: bool
    trial: Annotated[str, Field(max_length=64)] = Field(
        "",
        description="of a dry run piece by piece, any name of its own: what an earlier piece held is known in a later",
    )


class LogImport(Shape):
    map: LogMapShape
    lines: Lines
    first_line: FirstLine
    dry_run: bool


class RefusedShape(Shape):
    line: int
    reason: str
    cells: list[str]


class ReadingShown(Shape):
    probe: str
    channel: str
    unit: str
    at: Time
    value: float


class EntryShown(Shape):
    at: Time
    subject: SubjectShape
    kind: LogKind
    what: str
    amount_kg: float | None
    amount_l: float | None
    note: str


class ImportShape(Shape):
    """What went in, or would: `known` were there already."""

    rows: int
    new: int
    known: int
    refused: list[RefusedShape]
    readings: list[ReadingShown] = Field(default_factory=list, description="the first, as understood")
    entries: list[EntryShown] = Field(default_factory=list, description="the first, as understood")


@router.post("/look")
def look(ctx: Ctx, new: LookNew) -> LookShape:
    """What a table seems to be, and what must be asked."""
    with ctx.ledger.reading() as connection:
        farm = catalogue.farm(connection)
    zone = farm.time_zone if farm else "UTC"
    try:
        sheet = look_at(new.text)
        what = new.what or what_of(sheet)
        found: dict[str, Any] = {}
        if what == "log":
            log_map, questions = guess_log(sheet, zone)
            found["log"] = LogMapShape.model_validate(asdict(log_map))
        else:
            guessed = guess(sheet, zone)
            questions = guessed.questions
            found["readings"] = ReadingsMapShape.model_validate(asdict(guessed.map))
    except ValueError as error:
        raise HTTPException(422, f"This can't be read as a table: {error}.") from error
    rows = [[cell[:200] for cell in row] for row in sheet.rows[:SHOWN_ROWS]]
    return LookShape(
        what=what,
        header=[cell[:200] for cell in sheet.header],
        header_line=sheet.header_line,
        rows=rows,
        questions=list(questions),
        **found,
    )


@router.post("/readings")
def take_readings(ctx: Ctx, new: ReadingsImport) -> ImportShape:
    """Take lines of a table of readings in, or tell what would go in."""
    values = new.map.model_dump() | {"columns": tuple(Column(**c.model_dump()) for c in new.map.columns)}
    derive = Calibrations(ctx.ledger, ctx.readings).derived
    try:
        map_ = ReadingsMap(**values)
        seen = ctx.trials.of(new.trial) if new.dry_run and new.trial else None
        taking = Taking(ctx.ledger, ctx.readings, map_, ctx.clock(), derive, trial=new.dry_run, seen=seen)
    except ValueError as error:
        raise HTTPException(422, f"{error}.") from error
    refused = taking.take(new.first_line, _lines(new.lines))
    tally = taking.tally
    if tally.new and not new.dry_run:
        for probe in {probe for probe, _, _ in tally.by_channel}:
            ctx.nudge("probe", probe)
        ctx.everything_changed()
    shown = [
        ReadingShown(probe=s.probe, channel=s.channel, unit=s.unit, at=s.time_ms, value=s.value)
        for s in tally.first
    ]
    return ImportShape(
        rows=tally.rows, new=tally.new, known=tally.known, refused=_refused(refused), readings=shown
    )


@router.post("/log")
def take_entries(ctx: Ctx, new: LogImport) -> ImportShape:
    """Take lines of a log in, or tell what would go in."""
    try:
        map_ = LogMap(**new.map.model_dump())
        tally, refused = take_log(
            ctx.ledger, _lines(new.lines), new.first_line, map_, ctx.clock(), trial=new.dry_run
        )
    except ValueError as error:
        raise HTTPException(422, f"{error}.") from error
    if tally.new and not new.dry_run:
        for subject in tally.subjects:
            ctx.subject_changed(subject)
        ctx.nudge("log", "")
    shown = [
        EntryShown(
            at=entry.at_ms,
            subject=SubjectShape(kind=entry.subject.kind, id=entry.subject.id),
            kind=entry.kind,
            what=entry.what,
            amount_kg=entry.amount_kg,
            amount_l=entry.amount_l,
            note=entry.note,
        )
        for entry in tally.first
    ]
    return ImportShape(
        rows=tally.rows, new=tally.new, known=tally.known, refused=_refused(refused), entries=shown
    )


def _lines(text: str) -> list[str]:
    """Lines as a file has them: at ends of lines alone, not at the other signs that Python takes for one."""
    return list(io.StringIO(text, newline=""))


def _refused(refused: list[Refused]) -> list[RefusedShape]:
    return [RefusedShape(line=each.line, reason=each.reason, cells=list(each.cells)) for each in refused]
