"""How the stores of readings compare: `python tests/bench/stores.py [DAYS] [take-in|look-back|weigh]`.

Every store gets the same readings in the same run, beside the limit of what it stands on: bare executemany for SQLite,
COPY into an empty table for PostgreSQL, line protocol as it is for InfluxDB and victoria-metrics. Printed, as Markdown:
readings a second in batches of 1,000, each durable before the next, and their ratio to the limit; bytes a reading on
disk; a range thinned to 800 points and the newest reading of 2,000 channels, with little and with all of the data.
"""

import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import psutil
import psycopg

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.store import servers

from underlid.model import Reading
from underlid.store.blocks import DAY_MS
from underlid.store.influx_readings import InfluxReadings
from underlid.store.postgres_readings import PostgresReadings
from underlid.store.readings import Readings
from underlid.store.sqlite_readings import SqliteReadings

START = 20_000 * DAY_MS
BATCH, BULK = 1000, 20_000
CROWD = 2000
BARE_TABLE = (
    "CREATE TABLE reading (channel INTEGER NOT NULL, time_ms INTEGER NOT NULL, value REAL NOT NULL,"
    " received_ms INTEGER NOT NULL, PRIMARY KEY (channel, time_ms))"
)


def series(channel: int, days: int) -> np.ndarray:
    """A day's swing, a wander and a sensor's noise, to a hundredth."""
    rng = np.random.default_rng(channel)
    minutes = 1440 * days
    day = 3 * np.sin(np.arange(minutes) * 2 * np.pi / 1440)
    return np.round(20 + day + np.cumsum(rng.normal(0, 0.01, minutes)) + rng.normal(0, 0.05, minutes), 2)


def as_they_come(channels: int, days: int, size: int) -> Iterator[tuple[int, list[Reading]]]:
    """Batches in the order of time, every channel once a minute; with each the day it belongs to."""
    values = np.array([series(channel, days) for channel in range(1, channels + 1)]).T
    batch: list[Reading] = []
    for minute, row in enumerate(values.tolist()):
        time_ms = START + 60_000 * minute
        batch += [Reading(channel, time_ms, value, time_ms + 40) for channel, value in enumerate(row, 1)]
        if len(batch) >= size or minute % 1440 == 1439:
            yield minute // 1440, batch
            batch = []


class Timed:
    """What a writer took, and how many readings it was given."""

    def __init__(self, write: Callable[[list[Reading]], object]) -> None:
        self._write = write
        self.took, self.readings, self.longest_turn = 0.0, 0, 0.0

    def add(self, batch: list[Reading]) -> None:
        began = time.perf_counter()
        self._write(batch)
        self.took += time.perf_counter() - began
        self.readings += len(batch)

    def upkeep(self, store: Readings, now_ms: int) -> None:
        more = True
        while more:
            began = time.perf_counter()
            more = store.upkeep(now_ms)
            turn = time.perf_counter() - began
            self.took += turn
            self.longest_turn = max(self.longest_turn, turn)

    @property
    def rate(self) -> float:
        return self.readings / self.took


def bare_sqlite(file: Path) -> Callable[[list[Reading]], object]:
    connection = sqlite3.connect(file)
    connection.executescript(f"PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; {BARE_TABLE} WITHOUT ROWID")

    def write(batch: list[Reading]) -> None:
        with connection:
            connection.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", batch)

    return write


def bare_copy(url: str) -> Callable[[list[Reading]], object]:
    connection = psycopg.connect(url, autocommit=True)
    connection.execute(BARE_TABLE.replace("reading", "bare").replace("INTEGER", "bigint"))

    def write(batch: list[Reading]) -> None:
        with connection.cursor() as cursor, cursor.copy("COPY bare FROM STDIN") as copy:
            copy.write("".join(f"{c}\t{t}\t{v!r}\t{r}\n" for c, t, v, r in batch))

    return write


def bare_post(url: str) -> Callable[[list[Reading]], object]:
    store = InfluxReadings(url)  # for its pool of connections alone

    def write(batch: list[Reading]) -> None:
        lines = "\n".join(f"reading,channel={c} value={v!r},received_ms={r}i {t}" for c, t, v, r in batch)
        store._ask("POST", store._write_path, store._target, lines.encode())

    return write


def fill(store: Readings, channels: int, days: int, jitter_ms: int = 0) -> None:
    """Fill a store quickly, and do each day what upkeep there is."""
    rng, done = np.random.default_rng(7), 0
    for day, batch in as_they_come(channels, days, BULK):
        if jitter_ms:
            late = rng.integers(0, jitter_ms, len(batch)).tolist()
            batch = [r._replace(time_ms=r.time_ms + ms) for r, ms in zip(batch, late, strict=True)]
        store.add(batch)
        if day > done:
            done = day
            settle(store, START + day * DAY_MS)
    settle(store, START + (days + 3) * DAY_MS)


def settle(store: Readings, now_ms: int) -> None:
    while store.upkeep(now_ms):
        pass


def size_of(folder: Path) -> int:
    return sum(512 * file.stat().st_blocks for file in folder.rglob("*") if file.is_file())


def median_ms(work: Callable[[], object], times: int = 15) -> float:
    took = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        took.append(1000 * (time.perf_counter() - began))
    return statistics.median(took)


def cpu_ms(work: Callable[[], object], server: servers.Server | None, times: int = 15) -> float:
    """What it costs this process and the server's in processor time, which other load hardly changes."""

    def used() -> float:
        mine = time.process_time()
        if server is None or server.process is None:
            return mine
        tree = [parent := psutil.Process(server.process.pid), *parent.children(recursive=True)]
        return mine + sum(sum(process.cpu_times()[:2]) for process in tree)

    before = used()
    for _ in range(times):
        work()
    return 1000 * (used() - before) / times


def row(*cells: object) -> None:
    print(
        "| " + " | ".join(f"{cell:.3g}" if isinstance(cell, float) else str(cell) for cell in cells) + " |",
        flush=True,
    )


def take_in(
    folder: Path, postgres: servers.Postgres, influx: servers.Influx, victoria: servers.Influx
) -> None:
    """Each batch goes to every writer in turn, so that whatever else the computer does falls on all alike."""
    address = f"influx://127.0.0.1:{influx.port}"
    rows, sealing = SqliteReadings(folder / "rows.db"), SqliteReadings(folder / "sealing.db")
    served, stored = PostgresReadings(postgres.url()), InfluxReadings(f"{address}/taken")
    writers = {
        "bare executemany": Timed(bare_sqlite(folder / "bare.db")),
        "SQLite, rows": Timed(rows.add),
        "SQLite, sealing": Timed(sealing.add),
        "bare COPY": Timed(bare_copy(postgres.url())),
        "PostgreSQL": Timed(served.add),
        "bare POST": Timed(bare_post(f"{address}/bare")),
        "InfluxDB 1.6": Timed(stored.add),
        "victoria-metrics, bare POST": Timed(
            bare_post(f"influx://:token@127.0.0.1:{victoria.port}/farm?org=garden")
        ),
    }
    done = 0
    for day, batch in as_they_come(channels=40, days=8, size=BATCH):
        for timed in writers.values():
            timed.add(batch)
        if day > done:
            done = day
            writers["SQLite, sealing"].upkeep(sealing, START + day * DAY_MS)
    row("writer, batches of 1,000, each durable", "readings/s", "of its limit", "longest turn of upkeep, ms")
    row(*["---"] * 4)
    limit = 0.0
    for name, timed in writers.items():
        if "bare" in name:
            limit = timed.rate
            row(name, round(timed.rate), "", "")
        else:
            turn = round(1000 * timed.longest_turn) if timed.longest_turn else ""
            row(name, round(timed.rate), f"{timed.rate / limit:.2f}", turn)
    for store in (rows, sealing, served, stored):
        store.close()


def look_back(folder: Path, postgres: servers.Postgres, influx: servers.Influx, days: int) -> None:
    """One channel for so many days; the newest of many channels, with little and with ten times as much before it."""
    opened: dict[str, Callable[[str], Readings]] = {
        "SQLite, sealed": lambda name: SqliteReadings(folder / f"{name}.db"),
        "PostgreSQL": lambda name: PostgresReadings(postgres.url(name)),
        "InfluxDB 1.6": lambda name: InfluxReadings(f"influx://127.0.0.1:{influx.port}/{name}"),
    }
    for name in ("one", "many"):
        postgres.sql(f"CREATE DATABASE {name}")
    print()
    row(
        "store",
        f"{days} d to 800 points, ms",
        f"{days // 8} d of it",
        "one day",
        "newest of 2,000, ms",
        "with ten times as much",
        "CPU of the first, ms",
        "CPU of the last, ms",
    )
    row(*["---"] * 8)
    for name, open_store in opened.items():
        store = open_store("one")
        fill(store, 1, days)
        whole = median_ms(lambda s=store: s.buckets(1, START, START + days * DAY_MS, 800))
        part = median_ms(lambda s=store: s.buckets(1, START, START + days // 8 * DAY_MS, 800))
        day = median_ms(lambda s=store: s.window(1, START + DAY_MS, START + 2 * DAY_MS))
        server = {"PostgreSQL": postgres, "InfluxDB 1.6": influx}.get(name)
        cpu = [cpu_ms(lambda s=store: s.buckets(1, START, START + days * DAY_MS, 800), server)]
        store.close()
        store, newest = open_store("many"), []
        for older in (5, 50):
            times = [START - n * 7_200_000 for n in range(older)]
            for first in range(0, CROWD, 400):
                some = range(1000 + first, 1400 + first)
                store.add([Reading(channel, t, 20.5, t) for channel in some for t in times])
            settle(store, START + 3 * DAY_MS)
            newest.append(median_ms(lambda s=store: s.latest(range(1000, 1000 + CROWD))))
        cpu.append(cpu_ms(lambda s=store: s.latest(range(1000, 1000 + CROWD)), server))
        store.close()
        row(name, whole, part, day, *newest, *cpu)


def weigh(folder: Path, postgres: servers.Postgres) -> None:
    channels, days = 8, 45
    total = channels * days * 1440
    print()
    row("store", f"bytes a reading, {channels} channels for {days} d")
    row("---", "---")
    for jitter_ms, how in ((0, "by the minute"), (250, "to the millisecond, within a quarter of a second")):
        with closing(SqliteReadings(folder / f"{jitter_ms}.db")) as store:
            fill(store, channels, days, jitter_ms)
        file = folder / f"{jitter_ms}.db"
        with closing(sqlite3.connect(file)) as connection:
            packed = connection.execute("SELECT sum(length(times) + length(value)) FROM block").fetchone()[0]
            pages, free, page = (
                connection.execute(f"PRAGMA {name}").fetchone()[0]
                for name in ("page_count", "freelist_count", "page_size")
            )
        row(f"SQLite, sealed, times {how}", page * (pages - free) / total)
        row("the same, times and values themselves", packed / total)
        row("the same, with pages that stand free for the next days' rows", page * pages / total)
    postgres.sql("CREATE DATABASE weigh")
    empty = int(postgres.sql("SELECT pg_database_size('weigh')"))
    with closing(PostgresReadings(postgres.url("weigh"))) as store:
        fill(store, channels, days)
    row("PostgreSQL", (int(postgres.sql("SELECT pg_database_size('weigh')")) - empty) / total)
    with servers.influx(
        'cache-snapshot-write-cold-duration = "2s"', 'compact-full-write-cold-duration = "2s"'
    ) as influx:
        with closing(InfluxReadings(f"influx://127.0.0.1:{influx.port}/weigh")) as store:
            fill(store, channels, days)
        time.sleep(15)
        row("InfluxDB 1.6, compacted (value and arrival)", resting(influx.folder / "data" / "weigh") / total)
    with servers.victoria() as victoria:
        write = bare_post(f"influx://:token@127.0.0.1:{victoria.port}/farm?org=garden")
        for _, batch in as_they_come(channels, days, BULK):
            write(batch)
        for path in ("internal/force_flush", "internal/force_merge"):
            urllib.request.urlopen(f"http://127.0.0.1:{victoria.port}/{path}", timeout=120).read()
        row("victoria-metrics, merged (value and arrival)", resting(victoria.folder / "data") / total)


def resting(folder: Path) -> int:
    """The size of a folder once it no longer changes."""
    size, before = size_of(folder), -1
    while size != before:
        time.sleep(5)
        before, size = size, size_of(folder)
    return size


def main() -> None:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 365
    only = sys.argv[2] if len(sys.argv) > 2 else ""
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True
    ).stdout.strip()
    print(f"{commit}: {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} at the start\n", flush=True)
    with tempfile.TemporaryDirectory() as name, servers.postgres() as postgres, servers.influx() as influx:
        if only in ("", "take-in"):
            with servers.victoria() as victoria:
                take_in(Path(name), postgres, influx, victoria)
        if only in ("", "look-back"):
            look_back(Path(name), postgres, influx, days)
        if only in ("", "weigh"):
            weigh(Path(name), postgres)
    print(f"\nload {os.getloadavg()[0]:.1f} at the end")


if __name__ == "__main__":
    main()
