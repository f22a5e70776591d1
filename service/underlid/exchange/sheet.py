"""A table in a text file: its letters, separator and header; and its lines as rows of cells."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

SAMPLE_BYTES = 262_144
SAMPLE_ROWS = 200
CHUNK_LINES = 20_000
SEPARATORS = (",", ";", "\t", "|")
_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the beginning of a table tells: `rows` are those after the header, at line `header_line` (0: none)."""

    separator: str
    header: tuple[str, ...]
    header_line: int
    rows: tuple[tuple[str, ...], ...]


def encoding_of(start: bytes) -> str:
    """The encoding that a file's first bytes speak for; Windows' Western one where it is not Unicode."""
    for mark, encoding in _MARKS:
        if start.startswith(mark):
            return encoding
    try:
        start.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(start) - 4 or len(start) < SAMPLE_BYTES:  # else a letter was cut in two
            return "cp1252"
    return "utf-8"


def look_at(text: str) -> Sheet:
    """The table that a text begins. Raises ValueError where it holds none."""
    lines = list(io.StringIO(text.removeprefix("\ufeff"), newline=""))
    first = next((number for number, line in enumerate(lines) if line.strip()), None)
    if first is None:
        raise ValueError("the file is empty; a table has a header and a row for each time")
    separator = _separator(lines[first : first + 20])
    rows = [row for row in _parse(lines[first:], separator)[: SAMPLE_ROWS + 1] if any(row)]
    header = [cell.strip() for cell in rows[0]] if rows else []
    if len(header) < 2:
        raise ValueError(
            f"line {first + 1} does not part into columns; a table has its cells parted by , ; | or tabs"
        )
    if any(cell[:1].isdigit() for cell in header) and not any(_is_name(cell) for cell in header):
        names = tuple(f"column {number}" for number in range(1, len(header) + 1))
        return Sheet(separator, names, 0, tuple(map(tuple, rows)))
    return Sheet(separator, tuple(header), first + 1, tuple(tuple(row) for row in rows[1:]))


def _is_name(cell: str) -> bool:
    return cell[:1].isalpha() and cell[:3].lower() not in ("nan", "n/a")


def _separator(lines: Sequence[str]) -> str:
    """The one that parts the most lines into as many cells as the first."""

    def fitness(separator: str) -> tuple[bool, int, int]:
        counts = [len(row) for row in _parse(lines, separator)]
        return counts[0] > 1, sum(count == counts[0] for count in counts), counts[0]

    return max(SEPARATORS, key=fitness)


def open_text(file: Path, encoding: str) -> Iterator[str]:
    """The lines of a file with their ends; bytes that are no letters are kept as they are."""
    with file.open(encoding=encoding, errors="surrogateescape", newline="") as text:
        yield from text


def chunks(lines: Iterator[str], first_line: int, size: int = CHUNK_LINES) -> Iterator[tuple[int, list[str]]]:
    """Lines by the chunk, with the number of the chunk's first line."""
    while chunk := list(islice(lines, size)):
        yield first_line, chunk
        first_line += len(chunk)


def columns_of(lines: Sequence[str], separator: str, width: int) -> list[list[str]] | None:
    """The columns of lines that are plain: without quotes, and with `width` cells each. None: they are not."""
    text = "".join(lines)
    if '"' in text or {line.count(separator) for line in lines} != {width - 1}:
        return None
    text = text.replace("\r\n", "\n").replace("\r", "\n").removesuffix("\n")
    cells = text.replace("\n", separator).split(separator)
    return [cells[index::width] for index in range(width)]


def rows_of(lines: Sequence[str], separator: str) -> list[list[str]]:
    """One row for each line, whatever its quotes: an unclosed one must not swallow the lines below."""
    try:
        rows = list(csv.reader(lines, delimiter=separator))
    except csv.Error:
        rows = []
    return rows if len(rows) == len(lines) else _parse(lines, separator)


def _parse(lines: Sequence[str], separator: str) -> list[list[str]]:
    return [row_of(line, separator) for line in lines]


def row_of(line: str, separator: str) -> list[str]:
    """The cells of one line."""
    try:
        return next(csv.reader([line.rstrip("\r\n")], delimiter=separator), [])
    except csv.Error:  # a cell longer than any should be, or an end of line within it
        return line.rstrip("\r\n").split(separator)
