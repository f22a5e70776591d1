"""What SQLite's file keeps to beyond the protocol: durability, sealing, retention, room on the disk."""

import asyncio
import re
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from underlid.model import Reading
from underlid.store.blocks import DAY_MS, HOUR_MS
from underlid.store.readings import Retention, StoreError
from underlid.store.sqlite_readings import BLOCKS_A_TURN, SqliteReadings
from underlid.store.upkeep import keep_in_order

START = 20_000 * DAY_MS
SIZING = Path(__file__).resolve().parents[2] / "SIZING.md"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "readings.db"


@pytest.fixture
def store(file: Path) -> Iterator[SqliteReadings]:
    with closing(SqliteReadings(file)) as opened:
        yield opened


def fill(store: SqliteReadings, days: int, channels: int = 1, every_ms: int = 600_000) -> list[Reading]:
    rng = np.random.default_rng(days)
    times = range(START, START + days * DAY_MS, every_ms)
    readings = [
        Reading(channel, t, round(float(v), 2), t + 5)
        for channel in range(1, channels + 1)
        for t, v in zip(times, rng.normal(20, 3, len(times)), strict=True)
    ]
    store.add(readings)
    return readings


def seal(store: SqliteReadings, days: int) -> int:
    """Upkeep as on some day after the start; gives how many turns it took."""
    turns = 1
    while store.upkeep(START + days * DAY_MS):
        turns += 1
    return turns


def count(file: Path, what: str) -> int:
    with closing(sqlite3.connect(file)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {what}").fetchone()[0])


def held(store: SqliteReadings, channel: int = 1) -> list[tuple[int, float]]:
    series = store.window(channel, 0, START + 10_000 * DAY_MS)
    return list(zip(series.time_ms.tolist(), series.value.tolist(), strict=True))


def test_the_file_is_written_through_to_disk_at_every_commit(store: SqliteReadings) -> None:
    # SQLite's documentation of PRAGMA synchronous: in WAL mode only FULL (2) keeps the last commit when the
    # power goes.
    connection = store._writer
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_file_that_is_no_database_is_refused_with_its_name(file: Path) -> None:
    file.write_bytes(b"not a database, only some text that is long enough" * 100)
    with pytest.raises(StoreError, match=r"readings\.db"):
        SqliteReadings(file)


def test_days_are_sealed_in_short_turns_and_the_last_ones_stay_rows(
    store: SqliteReadings, file: Path
) -> None:
    readings = fill(store, days=40, channels=2)
    assert seal(store, days=40) == -(-2 * 38 // BLOCKS_A_TURN)
    assert count(file, "block") == 2 * 38
    assert count(file, "reading") == 2 * 2 * 144
    assert held(store) == [(r.time_ms, r.value) for r in readings if r.channel_id == 1]
    assert seal(store, days=40) == 1


def test_a_file_of_rows_from_before_there_were_blocks_is_taken_over(file: Path) -> None:
    with closing(sqlite3.connect(file)) as old, old:
        old.execute(
            "CREATE TABLE reading (channel INTEGER NOT NULL, time_ms INTEGER NOT NULL, value REAL NOT NULL,"
            " received_ms INTEGER NOT NULL, PRIMARY KEY (channel, time_ms)) WITHOUT ROWID"
        )
        rows = [(1, START + n * HOUR_MS, n / 8, 0) for n in range(480)]
        old.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", rows)
    with closing(SqliteReadings(file)) as store:
        before = held(store)
        seal(store, days=20)
        assert before == held(store) == [(time_ms, value) for _, time_ms, value, _ in rows]
        assert count(file, "block") == 18


def test_a_late_reading_of_a_sealed_day_is_seen_at_once_and_joins_its_block(
    store: SqliteReadings, file: Path
) -> None:
    fill(store, days=10)
    seal(store, days=10)
    late, again = Reading(1, START + 61_000, 7.0, START + 10 * DAY_MS), Reading(1, START, 99.0, START)
    assert store.add([late, again]) == 1
    rows = count(file, "reading")
    assert (START + 61_000, 7.0) in held(store)
    before = held(store)
    seal(store, days=10)
    assert count(file, "reading") == rows - 1
    assert held(store) == before
    assert store.add([late, again]) == 0


def test_the_newest_reading_keeps_when_it_was_received_through_sealing(store: SqliteReadings) -> None:
    readings = fill(store, days=3)
    seal(store, days=10)
    assert store.latest([1]) == {1: readings[-1]}
    store.add([Reading(1, readings[-1].time_ms - 1, 0.5, START + 9 * DAY_MS)])
    seal(store, days=10)
    assert store.latest([1]) == {1: readings[-1]}


def test_sealing_that_dies_half_way_leaves_everything_as_it_was(file: Path) -> None:
    with closing(SqliteReadings(file)) as store:
        readings = fill(store, days=10)
    dies = (
        "import os, sys; from pathlib import Path; from underlid.store import sealing\n"
        "from underlid.store.sqlite_readings import SqliteReadings\n"
        "inner = sealing.seal\n"
        "def seal(writer, channel, day):\n"
        "    inner(writer, channel, day)\n"
        "    if day == 20_003: os.kill(os.getpid(), 9)\n"
        "sealing.seal = seal\n"
        f"SqliteReadings(Path({str(file)!r})).upkeep({START + 10 * DAY_MS})\n"
    )
    assert subprocess.run([sys.executable, "-c", dies], check=False).returncode == -9
    with closing(SqliteReadings(file)) as store:
        assert count(file, "block") == 0
        assert held(store) == [(r.time_ms, r.value) for r in readings]


def test_old_days_grow_hourly_and_then_go(file: Path) -> None:
    with closing(SqliteReadings(file, Retention(raw_days=5, hourly_days=8))) as store:
        readings = fill(store, days=10)
        seal(store, days=10)
        days = np.array([time_ms // DAY_MS - 20_000 for time_ms, _ in held(store)])
        assert np.bincount(days, minlength=10).tolist() == [0, 0, 24, 24, 24, 144, 144, 144, 144, 144]
        kept = np.array([r.value for r in readings if 2 <= (r.time_ms - START) // DAY_MS < 5]).reshape(-1, 6)
        hours = store.buckets(1, START + 2 * DAY_MS, START + 5 * DAY_MS - 1, 72)
        np.testing.assert_allclose(hours.mean, kept.mean(axis=1))
        assert hours.low.tolist() == kept.min(axis=1).tolist()
        assert hours.high.tolist() == kept.max(axis=1).tolist()
        assert hours.count.tolist() == [6] * 72


@pytest.mark.parametrize(("ahead_days", "is_kept"), [(29, False), (1000, True)])
def test_a_clock_that_runs_ahead_by_years_takes_nothing_away(
    file: Path, ahead_days: int, is_kept: bool
) -> None:
    """Of forty days kept; a month may have passed since the last reading came, not three years."""
    last_ms = START + 10 * DAY_MS

    async def keep_in_order_for_a_while(store: SqliteReadings) -> None:
        upkeep = keep_in_order(store, lambda: last_ms + ahead_days * DAY_MS, lambda: last_ms)
        task = asyncio.ensure_future(upkeep)
        while not store.turns:  # type: ignore[attr-defined]
            await asyncio.sleep(0.01)
        task.cancel()
        await asyncio.wait([task])

    class Watched(SqliteReadings):
        """Counts the turns that left nothing to do."""

        turns = 0

        def upkeep(self, now_ms: int) -> bool:
            more = super().upkeep(now_ms)
            self.turns += not more
            return more

    kept_days = 45 if is_kept else 25
    with closing(Watched(file, Retention(hourly_days=kept_days))) as store:
        readings = fill(store, days=10)
        asyncio.run(keep_in_order_for_a_while(store))
        assert (held(store) == [(r.time_ms, r.value) for r in readings]) is is_kept


def test_a_backlog_from_before_what_is_kept_holds_nothing_up_and_does_not_stay(file: Path) -> None:
    with closing(SqliteReadings(file, Retention(raw_days=5, hourly_days=8))) as store:
        fill(store, days=10)
        seal(store, days=10)
        before = held(store)
        store.add([Reading(1, START + n * HOUR_MS, 1.0, 0) for n in range(24)])  # of a day that is gone
        assert store.add([Reading(1, START + 2 * DAY_MS + 1, 1.0, 0)]) == 0  # of a day that is hourly by now
        assert store.add([Reading(1, START + 6 * DAY_MS + 1, 1.0, 0)]) == 1
        seal(store, days=10)
        assert held(store) == sorted([*before, (START + 6 * DAY_MS + 1, 1.0)])


def test_a_wide_range_of_hourly_and_raw_days_thins_to_what_it_holds(file: Path) -> None:
    with closing(SqliteReadings(file, Retention(raw_days=20))) as store:
        readings = fill(store, days=60)
        seal(store, days=60)
        thinned = store.buckets(1, START + HOUR_MS, START + 60 * DAY_MS, 7)
        inside = [r.value for r in readings if r.time_ms >= START + HOUR_MS]
        assert thinned.count.sum() == len(inside)
        assert (thinned.low.min(), thinned.high.max()) == (min(inside), max(inside))
        np.testing.assert_allclose((thinned.mean * thinned.count).sum(), sum(inside))


def test_room_that_became_free_is_given_back_without_a_vacuum(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("underlid.store.sqlite_readings.FREE_PAGES", 64)
    with closing(SqliteReadings(file)) as store:
        readings = fill(store, days=60, every_ms=60_000)
        store._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        before = file.stat().st_size
        seal(store, days=60)
        assert held(store) == [(r.time_ms, r.value) for r in readings]
    assert file.stat().st_size < before / 4


def test_the_script_that_is_documented_reads_a_file_without_us(store: SqliteReadings, file: Path) -> None:
    fill(store, days=9, channels=2)
    seal(store, days=9)
    store.add([Reading(1, START + 5, 3.25, START)])
    script = re.search(r"```python\n(.*?)```", SIZING.read_text("utf-8"), re.DOTALL)
    assert script, "SIZING.md shows how to read the file"
    assert len(script[1].splitlines()) <= 20
    said = subprocess.run(
        [sys.executable, "-I", "-c", script[1], str(file), "1"], capture_output=True, text=True, check=True
    )
    lines = [line.split(",") for line in said.stdout.splitlines()]
    assert [(int(time_ms), float(value)) for time_ms, value in lines] == held(store)
