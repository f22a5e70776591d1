"""What a farm of 40 probes costs the disk: `python tests/bench/wear.py [DAYS]`, in compressed time.

Forty probes of four channels report once a minute, days are sealed as they pass, every reading is kept. Printed: bytes
on disk a reading and what that is for two years; and what is written to disk in a day when every message of a probe is
durable by itself, as it is at such a pace, from what the kernel counted for this process.
"""

import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from underlid.model import Reading
from underlid.store.blocks import DAY_MS
from underlid.store.sqlite_readings import SqliteReadings

PROBES, CHANNELS = 40, 4
START = 20_000 * DAY_MS
TWO_YEARS = 730


def written() -> int:
    lines = Path("/proc/self/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def values(days: int) -> np.ndarray:
    """Per minute, probe and channel: temperature in 1/16 K, moisture, humidity, battery, as sensors resolve them."""
    rng = np.random.default_rng(1)
    minutes = 1440 * days
    swing = np.sin(np.arange(minutes) * 2 * np.pi / 1440)[:, None]
    wander = np.cumsum(rng.normal(0, 0.01, (minutes, PROBES)), axis=0)
    noise = rng.normal(0, 1, (minutes, PROBES, CHANNELS))
    temp = np.round((20 + 2 * swing + wander + 0.03 * noise[..., 0]) * 16) / 16
    moist = np.round(72 + wander / 2 + 0.1 * noise[..., 1], 1)
    humid = np.round(85 - 4 * swing + wander + 0.1 * noise[..., 2], 1)
    volts = np.round(4.0 - np.arange(minutes)[:, None] * 1e-7 + 0.002 * noise[..., 3], 3)
    return np.stack([temp, moist, humid, volts], axis=2)


def minute(at_ms: int, row: list[list[float]]) -> list[list[Reading]]:
    """The messages of a minute, one a probe, each at its own second."""
    return [
        [
            Reading(1 + CHANNELS * probe + n, at_ms + 1400 * probe, v, at_ms + 1400 * probe + 90)
            for n, v in enumerate(each)
        ]
        for probe, each in enumerate(row)
    ]


def main() -> None:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    with tempfile.TemporaryDirectory(dir=".") as name:
        file = Path(name) / "readings.db"
        with closing(SqliteReadings(file)) as store:
            rows, total = values(days).tolist(), 0
            for day in range(days):
                batch: list[Reading] = []
                for number in range(1440 * day, 1440 * (day + 1)):
                    for message in minute(START + 60_000 * number, rows[number]):
                        batch += message
                    if len(batch) >= 4000 or number % 1440 == 1439:
                        total += store.add(batch)
                        batch = []
                while store.upkeep(START + (day + 1) * DAY_MS):
                    pass
            largest = file.stat().st_size
            before, messages = written(), 0
            hour = values(1)[:60].tolist()
            for number, row in enumerate(hour):
                for message in minute(START + days * DAY_MS + 60_000 * number, row):
                    store.add(message)
                    messages += 1
            a_day = 24 * (written() - before)
            before = written()
            while store.upkeep(START + (days + 1) * DAY_MS):
                pass
            a_day += written() - before
            while store.upkeep(START + (days + 9) * DAY_MS):
                pass
        sealed = store_size(file)
    print(f"{total} readings in {days} days: {largest / total:.2f} bytes a reading, the last days as rows")
    print(f"sealed days alone: {sealed:.2f} bytes a reading")
    per_day = PROBES * CHANNELS * 1440
    recent = largest - sealed * per_day * (days - 2)
    two_years = sealed * per_day * TWO_YEARS + recent
    print(f"two years: {two_years / 1e6:.0f} MB   limit 800 MB   ratio {two_years / 800e6:.2f}")
    print(
        f"written to disk in a day, every message by itself: {a_day / 1e6:.0f} MB ({messages} commits in an hour)"
    )


def store_size(file: Path) -> float:
    """Bytes a sealed reading takes: pages in use once nothing else is there."""
    with closing(sqlite3.connect(file)) as connection:
        used = (
            connection.execute("PRAGMA page_count").fetchone()[0]
            - connection.execute("PRAGMA freelist_count").fetchone()[0]
        )
        size = used * connection.execute("PRAGMA page_size").fetchone()[0]
        return size / connection.execute("SELECT sum(count) FROM block").fetchone()[0]


if __name__ == "__main__":
    main()
