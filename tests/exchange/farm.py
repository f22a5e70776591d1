"""A farm on real stores for the tests of data in and out."""

import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from underlid.exchange.columns import ReadingsMap
from underlid.exchange.guess import guess
from underlid.exchange.sheet import chunks, look_at
from underlid.exchange.take import Refused, Taking, Tally
from underlid.model import Bin, Farm, FeedStore, Place, Series
from underlid.store import catalogue
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings
from underlid.store.sqlite_readings import SqliteReadings

NOW_MS = 1_780_000_000_000  # 2026-05-28
ZONE = "Europe/Vienna"


@dataclass
class Stores:
    folder: Path
    ledger: Ledger
    readings: Readings

    def series(self, probe: str, channel: str) -> Series:
        """All readings of a channel."""
        with self.ledger.reading() as connection:
            found = [c for c in catalogue.channels(connection) if (c.probe_id, c.name) == (probe, channel)]
        if not found:
            return Series(np.empty(0, np.int64), np.empty(0))
        assert len(found) == 1
        return self.readings.window(found[0].id, 0, 2**53)

    def everything(self) -> dict[tuple[str, str, str], list[tuple[int, float]]]:
        with self.ledger.reading() as connection:
            channels = catalogue.channels(connection)
        found = {}
        for channel in channels:
            series = self.readings.window(channel.id, 0, 2**53)
            pairs = zip(series.time_ms.tolist(), series.value.tolist(), strict=True)
            found[channel.probe_id, channel.name, channel.unit] = list(pairs)
        return found


def begin(folder: Path) -> Path:
    """A farm with nothing on it, as the first start of a service makes it."""
    with opened(folder):
        return folder


@contextmanager
def opened(folder: Path) -> Iterator[Stores]:
    folder.mkdir(parents=True, exist_ok=True)
    ledger = Ledger(f"sqlite:///{folder / 'catalogue.db'}")
    readings = SqliteReadings(folder / "readings.db")
    with ledger.writing() as connection:
        if catalogue.farm(connection) is None:
            catalogue.save_farm(connection, Farm("Walled garden", ZONE))
            catalogue.save_place(connection, Place("shed", "Potting shed", outdoors=False))
            size = (0.6, 0.4, 0.3, 0.4)
            catalogue.save_bin(connection, Bin("alder", "Alder", "shed", "eisenia-fetida", *size, 0))
            catalogue.save_bin(
                connection, Bin("birch", "Birch by the door", "shed", "eisenia-fetida", *size, 0)
            )
            catalogue.save_feed_store(connection, FeedStore("north-tub", "North tub", "shed", 0.3, 0.35))
    try:
        yield Stores(folder, ledger, readings)
    finally:
        readings.close()
        ledger.close()


def map_of(text: str, probe: str = "") -> ReadingsMap:
    """The map that is guessed for a table; nothing may be left to ask."""
    found = guess(look_at(text), ZONE, probe)
    assert found.questions == ()
    return found.map


def take(
    stores: Stores, text: str, map_: ReadingsMap, *, trial: bool = False, size: int = 1000
) -> tuple[Tally, list[Refused]]:
    """Take a table with a header in, a thousand lines at a time."""
    taking = Taking(stores.ledger, stores.readings, map_, NOW_MS, lambda _: [], trial=trial)
    lines = iter(text.splitlines(keepends=True)[1:])
    refused = []
    for first, chunk in chunks(lines, 2, size):
        refused += taking.take(first, chunk)
    return taking.tally, refused


def underlid(
    *arguments: str, environment: Sequence[tuple[str, str]] = ()
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("UNDERLID_")}
    return subprocess.run(
        [sys.executable, "-m", "underlid", *arguments],
        capture_output=True,
        text=True,
        timeout=100,
        env=clean | {"UNDERLID_TIME_ZONE": ZONE, "COLUMNS": "200"} | dict(environment),
        check=False,
    )
