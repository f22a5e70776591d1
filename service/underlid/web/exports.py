"""Readings, log, alarms and everything at once, as files to keep."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import StreamingResponse

from underlid.exchange import csv_out, parquet_out, senml_out
from underlid.exchange.archive import archive
from underlid.exchange.stream import Span, channels_of
from underlid.web.context import Context, Ctx
from underlid.web.edge import milliseconds
from underlid.web.problems import not_found

router = APIRouter(prefix="/export", tags=["export"], default_response_class=StreamingResponse)

MEDIA = {
    "csv": "text/csv; charset=utf-8",
    "parquet": "application/vnd.apache.parquet",
    "senml": "application/senml+json",
    "zip": "application/zip",
}
ENDS = {"senml": "senml.json"}
From = Annotated[datetime | None, Query(alias="from")]
Probes = Annotated[list[str] | None, Query(max_length=100)]
_A_PIECE = 1 << 16


def _described(*formats: str) -> dict[int | str, dict[str, Any]]:
    return {
        200: {"description": "The file", "content": {MEDIA[each].partition(";")[0]: {} for each in formats}}
    }


@router.get("/readings", responses=_described("csv", "parquet", "senml"))
def export_readings(
    ctx: Ctx,
    format: Literal["csv", "parquet", "senml"] = "csv",
    wide: bool = False,
    from_: From = None,
    to: datetime | None = None,
    probe: Probes = None,
) -> StreamingResponse:
    """A row for each reading; `wide`: a row for each time and a column for each channel (CSV alone)."""
    span = _span(from_, to)
    channels = channels_of(ctx.ledger, probe or ())
    for unknown in set(probe or ()) - {channel.probe_id for channel in channels}:
        raise not_found("probe with readings", unknown)
    if format == "parquet":
        with _spooled() as file:
            parquet_out.readings_parquet(ctx.readings, channels, span, file)
        return _file(ctx, "readings", format, _pieces(file))
    write = csv_out.readings_wide if wide else csv_out.readings_long
    write = senml_out.senml if format == "senml" else write
    return _file(ctx, "readings", format, _encoded(write(ctx.readings, channels, span)))


@router.get("/log", responses=_described("csv", "parquet"))
def export_log(
    ctx: Ctx, format: Literal["csv", "parquet"] = "csv", from_: From = None, to: datetime | None = None
) -> StreamingResponse:
    """A row for each entry, newest first."""
    return _table(ctx, "log", format, csv_out.log(ctx.ledger, _span(from_, to)))


@router.get("/alarms", responses=_described("csv", "parquet"))
def export_alarms(
    ctx: Ctx, format: Literal["csv", "parquet"] = "csv", from_: From = None, to: datetime | None = None
) -> StreamingResponse:
    """A row for each step in an alarm's life."""
    return _table(ctx, "alarms", format, csv_out.alarms(ctx.ledger, _span(from_, to)))


@router.get("/all", responses=_described("zip"))
def export_all(ctx: Ctx, from_: From = None, to: datetime | None = None) -> StreamingResponse:
    """One ZIP with all tables, the farm, and a description of them."""
    return _file(ctx, "export", "zip", archive(ctx.ledger, ctx.readings, _span(from_, to), ctx.clock()))


def _span(from_: datetime | None, to: datetime | None) -> Span:
    span = Span(milliseconds(from_) if from_ else 0, milliseconds(to) if to else 2**53)
    if span.to_ms < span.from_ms:
        raise HTTPException(422, "'to' lies before 'from'.")
    return span


def _table(ctx: Context, name: str, format_: str, pieces: Iterator[str]) -> StreamingResponse:
    if format_ == "csv":
        return _file(ctx, name, format_, _encoded(pieces))
    with _spooled() as file:
        parquet_out.table_parquet(pieces, csv_out.NUMBERS, file)
    return _file(ctx, name, format_, _pieces(file))


def _file(ctx: Context, name: str, format_: str, pieces: Iterator[bytes]) -> StreamingResponse:
    day = csv_out.moment(ctx.clock())[:10]
    headers = {
        "Content-Disposition": f'attachment; filename="underlid-{name}-{day}.{ENDS.get(format_, format_)}"'
    }
    return StreamingResponse(pieces, media_type=MEDIA[format_], headers=headers)


@contextmanager
def _spooled() -> Iterator[Any]:
    """A temporary file that Parquet is written to before it is sent. Raises a 503 where pyarrow is missing."""
    file = tempfile.TemporaryFile()  # noqa: SIM115  # read, and closed, while it is sent
    try:
        yield file
    except parquet_out.NoParquetError as error:
        raise HTTPException(503, f"{error}.") from error


def _pieces(file: Any) -> Iterator[bytes]:
    with file:
        file.seek(0)
        while piece := file.read(_A_PIECE):
            yield piece


def _encoded(pieces: Iterator[str]) -> Iterator[bytes]:
    for piece in pieces:
        yield piece.encode()
