"""A file to import as a table and the lines after its header: CSV, and what else an export writes."""

import csv
import io
import json
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Literal

import numpy as np

from underlid.exchange import csv_out
from underlid.exchange.parquet_out import NoParquetError
from underlid.exchange.sheet import SAMPLE_BYTES, Sheet, encoding_of, look_at, open_text, row_of
from underlid.senml import resolve

What = Literal["readings", "log"]

_LOG_WORDS = (
    "kind",
    "action",
    "done",
    "what",
    "amount",
    "bin",
    "food",
    "art",
    "was",
    "menge",
    "kiste",
    "note",
    "notiz",
)
_MOST_AT_ONCE = 64 * 2**20  # bytes of a SenML pack that is not a record to the line


@dataclass(frozen=True, slots=True)
class Source:
    """A table: what is in it by its header, and its lines after the header; `size` is about its letters."""

    name: str
    what: What
    sheet: Sheet
    size: int
    open: Callable[[], Iterator[str]]

    @property
    def first_line(self) -> int:
        return self.sheet.header_line + 1


def sources(file: Path) -> list[Source]:
    """The tables of a file, the log before the readings. Raises ValueError, OSError and NoParquetError."""
    with file.open("rb") as opened:
        start = opened.read(SAMPLE_BYTES)
    if start.startswith(b"PK\x03\x04"):
        return _of_archive(file)
    if start.startswith(b"PAR1"):
        return [_long(file, lambda: _parquet_lines(file))]
    if start.lstrip()[:1] == b"[":
        return [_long(file, lambda: _senml_lines(file))]
    encoding = encoding_of(start)
    return [_table(file.name, start, file.stat().st_size, encoding, lambda: open_text(file, encoding))]


def what_of(sheet: Sheet) -> What:
    """Whether a table is a log by its header."""
    words = {name.split("(")[0].strip().lower() for name in sheet.header}
    return "log" if len(words & set(_LOG_WORDS)) >= 2 and "channel" not in words else "readings"


def _table(name: str, start: bytes, size: int, encoding: str, lines: Callable[[], Iterator[str]]) -> Source:
    sheet = look_at(start.decode(encoding, errors="replace"))

    def after_header() -> Iterator[str]:
        opened = lines()
        for _ in range(sheet.header_line):
            next(opened, None)
        return opened

    return Source(name, what_of(sheet), sheet, size, after_header)


def _of_archive(file: Path) -> list[Source]:
    found = []
    try:
        with zipfile.ZipFile(file) as whole:
            for info in sorted(whole.infolist(), key=lambda each: each.filename):
                if info.filename.rpartition("/")[2] in ("log.csv", "readings.csv"):
                    with whole.open(info) as member:
                        start = member.read(SAMPLE_BYTES)
                    lines = _member_lines(file, info)
                    found.append(_table(info.filename, start, info.file_size, "utf-8-sig", lines))
    except zipfile.BadZipFile as error:
        raise ValueError(f"{file}: a broken ZIP: {error}") from error
    if not found:
        raise ValueError(f"{file}: a ZIP without readings.csv and log.csv, so none that an export wrote")
    return found


def _member_lines(file: Path, info: zipfile.ZipInfo) -> Callable[[], Iterator[str]]:
    def lines() -> Iterator[str]:
        try:
            with zipfile.ZipFile(file) as whole, whole.open(info) as member:
                yield from io.TextIOWrapper(member, "utf-8-sig", errors="surrogateescape", newline="")
        except (zipfile.BadZipFile, zlib.error) as error:
            raise ValueError(f"{file}: a broken ZIP: {error}; give a whole one") from error

    return lines


def _long(file: Path, lines: Callable[[], Iterator[str]]) -> Source:
    rows = tuple(tuple(row_of(line, ",")) for line in islice(lines(), 20))
    sheet = Sheet(",", csv_out.LONG, 0, rows)
    return Source(file.name, "readings", sheet, file.stat().st_size, lines)


def _senml_lines(file: Path) -> Iterator[str]:
    """A line for each record, also for one that can't be used, which then is refused with the others."""
    problems: list[str] = []
    records = resolve(_records(file), problems)
    for _, record in records:
        probe, _, channel = record.name.rstrip(":/").replace(":", "/").rpartition("/")
        probe = probe.rpartition("/")[2]
        value = repr(record.value) if isinstance(record.value, float | int) else str(record.value)
        yield _line([probe, channel, record.unit, f"{record.time_s:.3f}", value])
    for problem in problems:
        yield _line(["", "", "", "", problem])


def _records(file: Path) -> Iterator[Any]:
    """The records of a pack, one by one where each has a line of its own."""
    if _is_by_line(file):
        with file.open(encoding="utf-8", errors="replace") as lines:
            for number, line in enumerate(lines, start=1):
                text = line.strip().rstrip(",")
                if text not in ("[", "]", ""):
                    try:
                        yield json.loads(text)
                    except ValueError as error:
                        raise ValueError(f"{file}: line {number} is not a SenML record: {error}") from error
        return
    if file.stat().st_size > _MOST_AT_ONCE:
        raise ValueError(f"{file}: SenML of this size must have one record to the line")
    try:
        yield from json.loads(file.read_bytes())
    except (ValueError, RecursionError) as error:
        raise ValueError(f"{file}: not a SenML pack: {error}") from error


def _is_by_line(file: Path) -> bool:
    with file.open(encoding="utf-8", errors="replace") as lines:
        for line in islice(lines, 3):
            text = line.strip().rstrip(",")
            if text not in ("[", ""):
                try:
                    return isinstance(json.loads(text), dict)
                except ValueError:
                    return False
    return False


def _parquet_lines(file: Path) -> Iterator[str]:
    """A line for each row of a table as `parquet_out` writes it."""
    try:
        import pyarrow.parquet as parquet
    except ImportError as error:
        raise NoParquetError("Parquet needs pyarrow: pip install 'underlid[parquet]'") from error
    with parquet.ParquetFile(file) as table:
        if missing := set(csv_out.LONG) - set(table.schema_arrow.names):
            raise ValueError(f"{file}: has no column {missing.pop()}, so it is no export of readings")
        for batch in table.iter_batches(batch_size=50_000):
            words = [batch.column(name).to_pylist() for name in ("probe", "channel", "unit")]
            times = csv_out.moments(np.asarray(batch.column(csv_out.TIME).cast("int64")))
            values = map(repr, batch.column("value").to_pylist())
            for row in zip(*words, times, values, strict=True):
                yield _line(row)


def _line(cells: Any) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue()
