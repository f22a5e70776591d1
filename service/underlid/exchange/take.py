"""Readings from a table into the stores, chunk by chunk; or a trial that tells what would go in."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import repeat, starmap

import numpy as np
from numpy.typing import NDArray

from underlid.exchange.columns import ReadingsMap, check
from underlid.exchange.rows import Batch, Key, read_lines
from underlid.exchange.sheet import row_of
from underlid.exchange.trials import Seen
from underlid.model import Probe, Reading
from underlid.store import catalogue
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings

FIRST_SHOWN = 5
_APART_MS = 86_400_000

Derive = Callable[[Iterable[Reading]], list[Reading]]


@dataclass(frozen=True, slots=True)
class Refused:
    """A line of which something was not taken, and why."""

    line: int
    reason: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """A reading as it was understood."""

    probe: str
    channel: str
    unit: str
    time_ms: int
    value: float


@dataclass(slots=True)
class Tally:
    """What came of an import or its trial so far. `known` were in the store, or earlier in the table."""

    rows: int = 0
    new: int = 0
    known: int = 0
    refused: int = 0
    by_channel: Counter[tuple[str, str, str]] = field(default_factory=Counter)  # probe, channel, unit
    first: list[Shown] = field(default_factory=list)
    from_ms: int | None = None
    to_ms: int | None = None


class Taking:
    """Takes a table's lines in. `derive` gives the moisture that raw readings stand for."""

    def __init__(
        self,
        ledger: Ledger,
        readings: Readings,
        map_: ReadingsMap,
        now_ms: int,
        derive: Derive,
        *,
        trial: bool = False,
        seen: Seen | None = None,
    ) -> None:
        """`seen`: of a trial of a part of a table, by earlier parts. Raises ValueError where the map can't be used."""
        check(map_)
        self._ledger = ledger
        self._readings = readings
        self._map = map_
        self._now_ms = now_ms
        self._derive = derive
        self._trial = trial
        self._ids: dict[Key, int] = {}
        self._seen = Seen() if seen is None else seen
        self.tally = Tally()
        self.channels: set[int] = set()

    def take(self, first_line: int, lines: Sequence[str]) -> list[Refused]:
        """Take lines, durably before returning; gives those that were refused. Raises StoreError."""
        read = read_lines(lines, self._map, self._now_ms)
        batches = [batch for batch in read.batches if len(batch.time_ms)]
        self._learn({batch.key for batch in batches})
        tried = sum(len(batch.time_ms) for batch in batches)
        if self._trial:
            self._seen.begin(first_line)
            new = sum(self._would_be_new(first_line, batch) for batch in batches)
        else:
            new = self._add(batches)
        for batch in batches:
            self._note(batch)
        self.tally.rows += read.rows
        self.tally.new += new
        self.tally.known += tried - new
        self.tally.refused += len(read.refused)
        return [
            Refused(first_line + row, reason, tuple(row_of(lines[row], self._map.separator)))
            for row, reason in sorted(read.refused.items())
        ]

    def _learn(self, keys: set[Key]) -> None:
        """Look channels up; in earnest, make those that are new."""
        if keys <= self._ids.keys():
            return
        with self._ledger.reading() as connection:
            known = {(c.probe_id, c.name, c.unit): c.id for c in catalogue.channels(connection)}
        self._ids |= {key: known[key[:3]] for key in keys if key[:3] in known}
        unknown = keys - self._ids.keys()
        if not unknown or self._trial:
            return
        with self._ledger.writing() as connection:
            probes = {probe.id for probe in catalogue.probes(connection)}
            for probe_id in {key[0] for key in unknown} - probes:
                catalogue.save_probe(connection, Probe(probe_id, probe_id, self._now_ms))
            for key in sorted(unknown):
                self._ids[key] = catalogue.register_channel(connection, *key).id

    def _add(self, batches: Sequence[Batch]) -> int:
        found: list[Reading] = []
        for batch in batches:
            order = np.argsort(batch.time_ms, kind="stable")
            times, values = batch.time_ms[order].tolist(), batch.value[order].tolist()
            channel = self._ids[batch.key]
            found += starmap(Reading, zip(repeat(channel), times, values, repeat(self._now_ms), strict=False))
            self.channels.add(channel)
        if not found:
            return 0
        new = self._readings.add(found)
        # After the raw ones, whose temperature they need; a crash in between is mended by the next try.
        if derived := self._derive(found):
            self._readings.add(derived)
            self.channels |= {reading.channel_id for reading in derived}
        return new

    def _would_be_new(self, first_line: int, batch: Batch) -> int:
        times = self._seen.fresh(first_line, batch.key, np.unique(batch.time_ms))
        if batch.key not in self._ids:
            return len(times)
        return sum(len(np.setdiff1d(part, self._stored(batch.key, part))) for part in _parts(times))

    def _stored(self, key: Key, times: NDArray[np.int64]) -> NDArray[np.int64]:
        return self._readings.window(self._ids[key], int(times[0]), int(times[-1])).time_ms

    def _note(self, batch: Batch) -> None:
        probe, channel, unit, _ = batch.key
        tally = self.tally
        tally.by_channel[probe, channel, unit] += len(batch.time_ms)
        low, high = int(batch.time_ms.min()), int(batch.time_ms.max())
        tally.from_ms = low if tally.from_ms is None else min(low, tally.from_ms)
        tally.to_ms = high if tally.to_ms is None else max(high, tally.to_ms)
        if len(tally.first) < FIRST_SHOWN * 4:
            shown = zip(batch.time_ms[:FIRST_SHOWN].tolist(), batch.value[:FIRST_SHOWN].tolist(), strict=True)
            tally.first += [Shown(probe, channel, unit, at, value) for at, value in shown]


def _parts(times: NDArray[np.int64]) -> Iterator[NDArray[np.int64]]:
    """Sorted times in pieces without a gap of a day, so that no piece asks the store for more than it needs."""
    yield from (part for part in np.split(times, np.flatnonzero(np.diff(times) > _APART_MS) + 1) if len(part))
