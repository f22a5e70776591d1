"""How fast a replay is: a week of 40 bins and their probes, on real stores, as a multiple of real time.

python -m tests.bench.replay [bins] [days]
"""

import os
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from underlid.ground import stores
from underlid.model import Farm, LogEntry, Place, Position, Probe, Quantity, Reading, Subject, SubjectKind
from underlid.replay import replay, take_past
from underlid.settings import load_settings
from underlid.store import catalogue
from underlid.store import log as keepers_log

from .judging import CHANNELS, HOUR_MS, NOW_MS, a_week, bin_

AIRS = (("shed", 17.0, 0.2), ("lean-to", 6.0, 0.2))


def cpu_s() -> float:
    """Of this process and those it waited for."""
    return sum(os.times()[:4])


def main(bins: int, days: int) -> None:
    rng = np.random.default_rng(3)
    hours = (days + 8) * 24
    with (
        TemporaryDirectory() as folder,
        stores(load_settings(None, data_dir=Path(folder))) as (ledger, readings),
    ):
        rows: list[Reading] = []
        with ledger.writing() as connection:
            catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))

            def channel(
                probe: str, name: str, unit: str, quantity: Quantity, at: tuple[Subject, Position]
            ) -> int:
                made = catalogue.register_channel(connection, probe, name, unit, quantity)
                catalogue.place_channel(connection, made.id, *at, 0)
                return made.id

            def say(channel_id: int, level: float, noise: float) -> None:
                week = a_week(level, noise, rng, hours)
                pairs = zip(week.time_ms.tolist(), week.value.tolist(), strict=True)
                rows.extend(Reading(channel_id, t, v, t) for t, v in pairs)

            for place, level, noise in AIRS:
                catalogue.save_place(connection, Place(place, place, outdoors=place != "shed"))
                catalogue.save_probe(connection, Probe(place, place, 0))
                at = Subject(SubjectKind.PLACE, place), Position.AIR
                say(channel(place, "temp", "Cel", Quantity.TEMPERATURE, at), level, noise)
            for number in range(bins):
                one = bin_(number)
                catalogue.save_bin(connection, one)
                subject = Subject(SubjectKind.BIN, one.id)
                catalogue.save_probe(connection, Probe(f"p{number}", f"p{number}", 0))
                dry = number % 8 == 0  # some go below their limits
                for position, quantity, unit, level, noise in CHANNELS:
                    name = f"{position.value}-{quantity.value}"
                    less = 10.0 if dry and quantity is Quantity.MOISTURE else 0.0
                    say(channel(f"p{number}", name, unit, quantity, (subject, position)), level - less, noise)
                for day in range(0, days, 3):
                    at_ms = NOW_MS - day * 24 * HOUR_MS - 7 * HOUR_MS
                    fed = LogEntry(0, at_ms, subject, "fed", amount_kg=1.0, what="kitchen scraps")
                    keepers_log.add(connection, fed)
        readings.add(rows)
        started, before_s = time.perf_counter(), cpu_s()
        with ledger.reading() as connection:
            past = take_past(connection, readings, NOW_MS - days * 24 * HOUR_MS, NOW_MS)
        read_s = time.perf_counter() - started
        found = replay(past)
        took_s = time.perf_counter() - started
        cores = os.cpu_count() or 1
        idle_s = (cpu_s() - before_s) / cores
        print(
            f"{days} days of {bins} bins and {bins + 2} probes, {len(rows)} readings: {took_s:.1f} s "
            f"({read_s:.1f} s of it reading), {days * 86_400 / took_s:,.0f} times as fast as real time; by the CPU it "
            f"took, {idle_s:.1f} s and {days * 86_400 / idle_s:,.0f} times on {cores} idle cores; {len(found)} alarms"
        )


if __name__ == "__main__":
    given = [int(each) for each in sys.argv[1:]]
    main(*(given + [40, 7][len(given) :]))
