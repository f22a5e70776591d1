"""A log from a spreadsheet into the ledger, or a trial that tells what would go in."""

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from underlid.exchange.log_columns import LogMap, check_log, content, entry_of, subjects_by_word
from underlid.exchange.moments import moments
from underlid.exchange.sheet import row_of
from underlid.exchange.take import Refused
from underlid.model import LogEntry, Subject
from underlid.store import catalogue
from underlid.store import log as keepers_log
from underlid.store.ledger import Connection, Ledger

MOST_BYTES = 16 * 2**20  # of a log as a whole
FIRST_SHOWN = 10
_A_TURN = 500  # entries to a transaction, so that nobody waits long for theirs
_LINES_A_CELL = 100


@dataclass(slots=True)
class LogTally:
    """What came of an import or its trial. `known` were in the log, or earlier in the table."""

    rows: int = 0
    new: int = 0
    known: int = 0
    refused: int = 0
    first: list[LogEntry] = field(default_factory=list)
    subjects: set[Subject] = field(default_factory=set)


def take_log(
    ledger: Ledger, lines: Sequence[str], first_line: int, map_: LogMap, now_ms: int, *, trial: bool = False
) -> tuple[LogTally, list[Refused]]:
    """Take the lines after the header in. Gives what came of it, and the lines that were refused.

    A date without a time of day is taken as noon. Raises ValueError where the map can't be used, and StoreError.
    """
    check_log(map_)
    with ledger.reading() as connection:
        subjects = subjects_by_word(catalogue.names(connection))
    rows = [(line, row) for line, row in _rows(lines, first_line, map_.separator) if any(map(str.strip, row))]
    tally = LogTally(rows=len(rows))
    refused: list[Refused] = []
    whole = []
    for line, row in rows:
        if len(row) < map_.width or any(cell.strip() for cell in row[map_.width :]):
            reason = f"has {len(row)} cells, where the header has {map_.width}"
            refused.append(Refused(line, reason, tuple(row)))
        else:
            whole.append((line, row))
    times, wrong = moments([_time(row, map_) for _, row in whole], map_.order, map_.zone, map_.twice, now_ms)
    entries: list[LogEntry] = []
    for number, ((line, row), at_ms) in enumerate(zip(whole, times.tolist(), strict=True)):
        try:
            if number in wrong:
                raise ValueError(wrong[number])
            entries.append(entry_of(row, at_ms, map_, subjects))
        except ValueError as error:
            refused.append(Refused(line, str(error) or "has no amount", tuple(row)))
    seen: set[object] = set()
    for start in range(0, len(entries), _A_TURN):
        turn = entries[start : start + _A_TURN]
        with ledger.reading() if trial else ledger.writing() as connection:
            _take_turn(connection, turn, seen, tally, trial)
    tally.refused = len(refused)
    return tally, sorted(refused, key=lambda each: each.line)


def _take_turn(
    connection: Connection, entries: Sequence[LogEntry], seen: set[object], tally: LogTally, trial: bool
) -> None:
    moments_ms = [entry.at_ms for entry in entries]
    there = keepers_log.entries(connection, min(moments_ms), max(moments_ms))
    seen |= {content(entry) for entry in there}
    for entry in entries:
        key = entry.key or ""
        if content(entry) in seen or key in seen or keepers_log.by_key(connection, key) is not None:
            tally.known += 1
            continue
        seen |= {content(entry), key}
        tally.new += 1
        tally.subjects.add(entry.subject)
        if len(tally.first) < FIRST_SHOWN:
            tally.first.append(entry)
        if not trial:
            keepers_log.add(connection, entry)


def _time(row: Sequence[str], map_: LogMap) -> str:
    text = row[map_.time].strip()
    if map_.clock is not None and row[map_.clock].strip():
        return f"{text} {row[map_.clock].strip()}"
    return text if ":" in text or map_.order == "unix" else f"{text} 12:00"


def _rows(lines: Sequence[str], first_line: int, separator: str) -> Iterator[tuple[int, list[str]]]:
    """Rows with the line each begins at; a quoted note may go over several lines, but an unclosed quote does not."""
    found = []
    reader = csv.reader(lines, delimiter=separator, strict=True)
    before = 0
    try:
        for row in reader:
            found.append((first_line + before, row))
            if reader.line_num - before > _LINES_A_CELL:
                raise csv.Error("a quote that was never closed")
            before = reader.line_num
    except csv.Error:
        return ((first_line + number, row_of(line, separator)) for number, line in enumerate(lines))
    return iter(found)
