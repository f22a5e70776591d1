"""Readings, log and alarms as Parquet, by pyarrow (the extra `parquet`: it is larger than all the rest together)."""

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any, BinaryIO

from underlid.exchange import csv_out
from underlid.exchange.cells import as_meant
from underlid.exchange.stream import Span, series
from underlid.model import Channel
from underlid.store.readings import Readings

MISSING = "Parquet needs pyarrow, which is not installed: pip install 'underlid[parquet]'"
_GROUP = 100_000  # rows


class NoParquetError(Exception):
    """pyarrow is not there."""


def readings_parquet(readings: Readings, channels: Sequence[Channel], span: Span, out: BinaryIO) -> None:
    """Write a table of probe, channel, unit, time and value. Raises NoParquetError."""
    pa, parquet = _pyarrow()
    word = pa.dictionary(pa.int32(), pa.string())
    schema = pa.schema(
        [
            ("probe", word),
            ("channel", word),
            ("unit", word),
            (csv_out.TIME, pa.timestamp("ms", tz="UTC")),
            ("value", pa.float64()),
        ]
    )
    group: list[Any] = []
    with parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        for channel in channels:
            for piece in series(readings, channel, span):
                words = [
                    pa.DictionaryArray.from_arrays(pa.array([0] * len(piece), pa.int32()), [text])
                    for text in (channel.probe_id, channel.name, channel.unit)
                ]
                times = pa.array(piece.time_ms).cast(pa.timestamp("ms", tz="UTC"))
                group.append(pa.Table.from_arrays([*words, times, pa.array(piece.value)], schema=schema))
                if sum(table.num_rows for table in group) >= _GROUP:
                    writer.write_table(pa.concat_tables(group).unify_dictionaries())
                    group.clear()
        if group:
            writer.write_table(pa.concat_tables(group).unify_dictionaries())


def table_parquet(pieces: Iterator[str], numbers: Sequence[str], out: BinaryIO) -> None:
    """Write what `csv_out.log` or `csv_out.alarms` gives, with its times and these columns of numbers typed."""
    pa, parquet = _pyarrow()
    header = next(csv.reader([next(pieces)]))
    kinds = {csv_out.TIME: pa.timestamp("ms", tz="UTC"), **dict.fromkeys(numbers, pa.float64())}
    schema = pa.schema([(name, kinds.get(name, pa.string())) for name in header])
    with parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        for rows in _groups(pieces):
            columns = [
                _typed(pa, [row[index] for row in rows], kinds.get(name)) for index, name in enumerate(header)
            ]
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))


def _typed(pa: Any, cells: list[str], kind: Any) -> Any:
    if kind is None:
        return pa.array([as_meant(cell) for cell in cells])
    found = pa.array([cell.removesuffix("Z") or None for cell in cells], pa.string())
    return found.cast(pa.timestamp("ms")).cast(kind) if pa.types.is_timestamp(kind) else found.cast(kind)


def _groups(pieces: Iterator[str]) -> Iterator[list[list[str]]]:
    rows: list[list[str]] = []
    for piece in pieces:
        rows += csv.reader(io.StringIO(piece, newline=""))
        if len(rows) >= _GROUP:
            yield rows
            rows = []
    if rows:
        yield rows


def _pyarrow() -> tuple[Any, Any]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as parquet
    except ImportError as error:
        raise NoParquetError(MISSING) from error
    return pa, parquet
