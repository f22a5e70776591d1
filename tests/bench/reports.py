"""How long the weekly report of a large farm takes: 40 bins, four channels each at one reading a minute, on SQLite.

    python -m tests.bench.reports [--bins 40] [--rows]

Prints seconds, and the share of it that reading the same two weeks with nothing else takes. The week before is
computed with it, as it stands beside each figure. The store has put its past days in order, as it does by itself in
a running service; `--rows`: it has not.
"""

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

from underlid.model import (
    Alarm,
    AlarmState,
    Bin,
    Farm,
    Finding,
    LogEntry,
    Place,
    Position,
    Priority,
    Probe,
    Quantity,
    Reading,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.reports.desk import keep_weekly
from underlid.reports.week import week_named
from underlid.store import alarms, catalogue
from underlid.store import log as keepers_log
from underlid.store.ledger import Ledger
from underlid.store.sqlite_readings import SqliteReadings

WEEK = week_named("2026-W47", "Europe/Vienna")
HOUR_MS, DAY_MS, MINUTE_MS = 3_600_000, 86_400_000, 60_000
CHANNELS = (
    ("top-temp", "Cel", Quantity.TEMPERATURE, Position.TOP),
    ("top-moist", "%", Quantity.MOISTURE, Position.TOP),
    ("core-temp", "Cel", Quantity.TEMPERATURE, Position.CORE),
    ("core-moist", "%", Quantity.MOISTURE, Position.CORE),
)


def fill(ledger: Ledger, readings: SqliteReadings, bins: int) -> int:
    """A shed of bins with two weeks and two days of readings, two feedings and a wetting a week, and some alarms."""
    random = np.random.default_rng(1)
    start_ms = WEEK.before.from_ms - 2 * DAY_MS
    times = np.arange(start_ms, WEEK.to_ms, MINUTE_MS)
    hours = (times - start_ms) / HOUR_MS
    count = 0
    with ledger.writing() as connection:
        catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
        catalogue.save_place(connection, Place("shed", "Potting shed", outdoors=False))
    for index in range(bins):
        id_ = f"bin-{index:02}"
        subject = Subject(SubjectKind.BIN, id_)
        fed = start_ms + (random.uniform(0, 80) + np.arange(4) * 90) * HOUR_MS
        with ledger.writing() as connection:
            catalogue.save_bin(
                connection,
                Bin(id_, id_, "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, start_ms - 90 * DAY_MS),
            )
            catalogue.save_probe(connection, Probe(f"{id_}-1", f"{id_} stake", start_ms))
            channels = [catalogue.register_channel(connection, f"{id_}-1", *each[:3]) for each in CHANNELS]
            for channel, (*_, position) in zip(channels, CHANNELS, strict=True):
                catalogue.place_channel(connection, channel.id, subject, position, start_ms)
            for at in fed[fed < WEEK.to_ms].astype(int).tolist():
                keepers_log.add(
                    connection, LogEntry(0, at, subject, "fed", amount_kg=0.9, what="coffee grounds")
                )
            wetted = int(WEEK.from_ms + random.uniform(0, 6) * DAY_MS)
            keepers_log.add(connection, LogEntry(0, wetted, subject, "wetted", amount_l=0.8))
            _alarm(connection, subject, int(WEEK.from_ms + random.uniform(0, 6) * DAY_MS))
        heat = sum(
            np.where(times > at, 9.0 * ((times - at) / DAY_MS) * np.exp(1.0 - (times - at) / DAY_MS), 0.0)
            for at in fed
        )
        room = 18.0 + 1.5 * np.sin(hours / 24.0 * 2.0 * np.pi)
        dry = 76.0 - 0.02 * hours + np.where(times > wetted, 5.0, 0.0)
        for channel, truth, noise in zip(
            channels, (room + heat / 2, dry, room + heat, dry + 3.0), (0.06, 0.3, 0.06, 0.3), strict=True
        ):
            values = np.round(truth + random.normal(0.0, noise, len(times)), 2)
            rows = [
                Reading(channel.id, t, v, t) for t, v in zip(times.tolist(), values.tolist(), strict=True)
            ]
            count += readings.add(rows)
    return count


def _alarm(connection: object, subject: Subject, at_ms: int) -> None:
    finding = Finding(
        "top-drying", Verdict.HOLDS, at_ms, priority=Priority.TODAY, position=Position.TOP, limit=65.0, unit="%",
        headline="top is too dry", advice="Sprinkle 0.8 L over the top.",
    )  # fmt: skip
    alarm = Alarm(0, subject, "top-drying", AlarmState.UNACKNOWLEDGED, raised_ms=at_ms, finding=finding)
    alarm = alarms.save(connection, alarm)  # type: ignore[arg-type]
    step = Transition(alarm, at_ms, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "raised")
    alarms.add_transition(connection, step)  # type: ignore[arg-type]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bins", type=int, default=40)
    parser.add_argument("--rows", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        ledger = Ledger(f"sqlite:///{Path(folder) / 'catalogue.db'}")
        readings = SqliteReadings(Path(folder) / "readings.db")
        count = fill(ledger, readings, asked.bins)
        if not asked.rows:
            while readings.upkeep(WEEK.to_ms + 4 * DAY_MS):
                pass
        print(f"{asked.bins} bins, {count:,} readings, {'all as rows' if asked.rows else 'past days sealed'}")
        with ledger.reading() as connection:
            ids = [channel.id for channel in catalogue.channels(connection)]
        started = time.perf_counter()
        for id_ in ids:
            readings.window(id_, WEEK.before.from_ms - DAY_MS, WEEK.to_ms - 1)
        bare = time.perf_counter() - started
        for turn in ("first", "again"):
            started, used = time.perf_counter(), time.process_time()
            report = keep_weekly(ledger, readings, WEEK.name, WEEK.to_ms + HOUR_MS)
            took = time.perf_counter() - started
            print(
                f"{turn}: {took:.2f} s ({time.process_time() - used:.2f} s of processor), the bare reading takes "
                f"{bare / took:.0%} of it; {sum(len(t.heatings) for t in report.things)} feedings, "
                f"{sum(h.forecast is not None for t in report.things for h in t.heatings)} with a forecast"
            )
        readings.close()
        ledger.close()


if __name__ == "__main__":
    main()
