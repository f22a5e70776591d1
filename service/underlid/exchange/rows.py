"""Rows of a table to readings by channel; what can't be used, with the reason. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from underlid.exchange.cells import as_meant, numbers
from underlid.exchange.columns import ReadingsMap, key_of, stored, unit_for, unit_in
from underlid.exchange.moments import moments
from underlid.exchange.sheet import columns_of, rows_of
from underlid.model import Quantity

Key = tuple[str, str, str, Quantity]  # probe, channel, stored unit, quantity


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings of one channel, in the unit that is stored, in the order of the table."""

    key: Key
    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]


@dataclass(slots=True)
class Read:
    """What rows held: readings, and by row why something of it was not taken. Blank rows are neither."""

    batches: list[Batch] = field(default_factory=list)
    refused: dict[int, str] = field(default_factory=dict)
    rows: int = 0

    def refuse(self, row: int, reason: str) -> None:
        self.refused[row] = f"{self.refused[row]}; {reason}" if row in self.refused else reason


def read_lines(lines: Sequence[str], map_: ReadingsMap, now_ms: int) -> Read:
    """The readings that lines hold by a map that was checked. Total: what is wrong is in `refused`."""
    columns = columns_of(lines, map_.separator, map_.width)
    if columns is not None:
        return _read_columns(columns, map_, now_ms)
    rows = rows_of(lines, map_.separator)
    kept = []
    strange = {}
    for number, row in enumerate(rows):
        if len(row) >= map_.width and not any(cell.strip() for cell in row[map_.width :]):
            kept.append(number)
        elif any(cell.strip() for cell in row):
            strange[number] = f"has {len(row)} cells, where the header has {map_.width}"
    if not kept:
        return Read(refused=strange, rows=len(strange))
    whole = (rows[number][: map_.width] for number in kept)
    read = _read_columns(list(zip(*whole, strict=True)), map_, now_ms)
    read.refused = strange | {kept[row]: reason for row, reason in read.refused.items()}
    read.rows += len(strange)
    return read


def _read_columns(columns: Sequence[Sequence[str]], map_: ReadingsMap, now_ms: int) -> Read:
    """The readings in columns of the same length, which is not 0."""
    count = len(columns[0])
    read = Read(rows=count)
    times: Sequence[str] = columns[map_.time]
    if map_.clock is not None:
        times = [f"{day} {clock}" for day, clock in zip(times, columns[map_.clock], strict=True)]
    time_ms, wrong = moments(times, map_.order, map_.zone, map_.twice, now_ms)
    for row, reason in wrong.items():
        read.refuse(row, reason)
    usable = np.ones(count, dtype=bool)
    usable[list(wrong)] = False
    for name, key, unit, where, values in _values(columns, map_, read):
        found, odd = numbers(values, map_.decimal)
        good = usable[where]
        good[list(odd)] = False
        for place, reason in odd.items():
            row = int(where[place])
            if row not in wrong and (reason or map_.value is not None):
                read.refuse(row, f"{name}{reason or 'no value'}")
        with np.errstate(over="ignore"):
            value = stored(key[1], unit, found[good])
        own = where[good]
        fits = np.isfinite(
            value
        )  # as one that is only just a number may not be once it is in its stored unit
        for row in own[~fits].tolist():
            read.refuse(row, f"{name}is too large")
        read.batches.append(Batch(key, time_ms[own[fits]], value[fits]))
    for row in [row for row in read.refused if not any(column[row].strip() for column in columns)]:
        del read.refused[row]  # a blank line
        read.rows -= 1
    return read


def _values(
    columns: Sequence[Sequence[str]], map_: ReadingsMap, read: Read
) -> Iterator[tuple[str, Key, str, NDArray[np.int64], Sequence[str]]]:
    """For each channel: how a reason begins, its key, the unit of the table, in which rows it is, and its cells."""
    every = np.arange(len(columns[0]))
    if map_.value is None:
        for column in map_.columns:
            key = key_of(column.probe, column.channel, column.unit)
            yield f"{column.channel}: ", key, column.unit, every, columns[column.index]
        return
    cells = columns[map_.value]
    parts = (map_.probe, map_.channel, map_.unit)
    told = [columns[part] if isinstance(part, int) else [part] * len(cells) for part in parts]
    if all(column.count(column[0]) == len(column) for column in told):
        named = [(told[0][0], told[1][0], told[2][0])] * len(cells)
    else:
        named = list(zip(told[0], told[1], told[2], strict=True))
    codes = {name: code for code, name in enumerate(dict.fromkeys(named))}
    code_of = np.fromiter(map(codes.__getitem__, named), dtype=np.int64, count=len(named))
    by_code = np.argsort(code_of, kind="stable")
    ends = np.searchsorted(code_of[by_code], np.arange(1, len(codes) + 1))
    start = 0
    for name, end in zip(codes, ends.tolist(), strict=True):
        where, start = by_code[start:end], end
        own = cells if len(where) == len(cells) else [cells[row] for row in where.tolist()]
        probe, channel, words = (as_meant(part.strip()) for part in name)
        unit = unit_in(words)
        if not words and channel:
            found, _ = numbers(own, map_.decimal)
            finite = found[np.isfinite(found)]
            unit = unit_for(channel, finite.tolist()) if len(finite) else "Cel"
        try:
            key = key_of(probe, channel, unit or words)
        except ValueError as error:
            for row in where.tolist():
                read.refuse(row, str(error))
            continue
        yield "", key, unit, where, own
