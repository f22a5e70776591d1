"""`underlid export`: readings, log, alarms or everything, to a file or to standard output."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from underlid.exchange import archive, csv_out, parquet_out, senml_out
from underlid.exchange.stream import Span, channels_of
from underlid.ground import farm_stores
from underlid.settings import Settings

WHAT = ("readings", "log", "alarms", "all")
FORMATS = ("csv", "parquet", "senml")


def export(
    settings: Settings,
    what: str,
    format_: str,
    wide: bool,
    from_: datetime | None,
    until: datetime | None,
    probes: Sequence[str],
    to: Path | None,
    now_ms: int,
) -> None:
    """Write a table to a file, or to standard output. Raises ValueError, OSError, StoreError and NoParquetError."""
    if what not in WHAT or format_ not in FORMATS:
        raise ValueError(f"'{what}' as {format_}: export {', '.join(WHAT)} as {', '.join(FORMATS)}")
    if format_ == "senml" and what != "readings":
        raise ValueError("SenML is for readings; give --format csv or parquet")
    if wide and (what != "readings" or format_ != "csv"):
        raise ValueError("--wide is for readings as CSV")
    if to is None and sys.stdout.isatty() and (what == "all" or format_ == "parquet"):
        raise ValueError("this is no text for a terminal; give a file with --to")
    with farm_stores(settings) as (farm, ledger, readings):
        span = span_of(from_, until, farm.time_zone)
        channels = channels_of(ledger, probes)
        if unknown := set(probes) - {channel.probe_id for channel in channels}:
            raise ValueError(f"there is no probe '{unknown.pop()}' with readings")
        partial = to.with_name(f"{to.name}.partial") if to else None
        with partial.open("wb") if partial else _standard_output() as out:
            if format_ == "parquet" and what == "readings":
                parquet_out.readings_parquet(readings, channels, span, out)
            elif what == "all":
                out.writelines(archive.archive(ledger, readings, span, now_ms))
            elif what == "readings":
                text = (
                    senml_out.senml
                    if format_ == "senml"
                    else csv_out.readings_wide
                    if wide
                    else csv_out.readings_long
                )
                out.writelines(piece.encode() for piece in text(readings, channels, span))
            else:
                pieces = csv_out.log(ledger, span) if what == "log" else csv_out.alarms(ledger, span)
                if format_ == "parquet":
                    parquet_out.table_parquet(pieces, csv_out.NUMBERS, out)
                else:
                    out.writelines(piece.encode() for piece in pieces)
        if partial and to:
            partial.replace(to)  # a file of that name is whole or not there


@contextmanager
def _standard_output() -> Iterator[Any]:
    yield sys.stdout.buffer
    sys.stdout.flush()


def span_of(from_: datetime | None, to: datetime | None, zone: str) -> Span:
    """A span by dates of the farm's clocks; without one, all there is."""

    def ms(moment: datetime | None, default: int) -> int:
        if moment is None:
            return default
        aware = moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone))
        return round(aware.astimezone(UTC).timestamp() * 1000)

    return Span(ms(from_, 0), ms(to, 2**53))
