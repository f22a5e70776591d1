"""What judging costs: 10,000 bins at once, and a pass of the watch by how much changed and how much there is.

    python -m tests.bench.judging [bins]

First all rules of bins with 4 channels each and a week of readings every ten minutes, in memory, shared among the
cores. Then passes of the real watch on real stores: one changed bin of few and of many costs the same.
"""

import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from underlid.commands.logs import set_up_log
from underlid.ground import stores
from underlid.model import Bin, Farm, Place, Position, Probe, Quantity, Reading, Series, Subject, SubjectKind
from underlid.rules.catalogue import rules_for
from underlid.rules.limits import effective_limits
from underlid.rules.situation import Sensor, Situation
from underlid.settings import load_settings
from underlid.store import catalogue
from underlid.watch import SHARE, Watch

HOUR_MS, EVERY_MS = 3_600_000, 600_000
NOW_MS = 1_795_000_000_000
SHED = Place("shed", "Potting shed", outdoors=False)
CHANNELS = (
    (Position.TOP, Quantity.MOISTURE, "%", 76.0, 0.3),
    (Position.TOP, Quantity.TEMPERATURE, "Cel", 19.0, 0.1),
    (Position.CORE, Quantity.MOISTURE, "%", 78.0, 0.3),
    (Position.CORE, Quantity.TEMPERATURE, "Cel", 21.0, 0.1),
)
DISTINCT = 100  # of which there are many copies: it is the judging that is measured


def bin_(number: int) -> Bin:
    return Bin(f"bin-{number}", f"Bin {number}", "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, 0)


def a_week(level: float, noise: float, rng: np.random.Generator, hours: int = 168) -> Series:
    """A daily swing, a slow drift and a probe's noise about a level."""
    time_ms = np.arange(NOW_MS - hours * HOUR_MS, NOW_MS + 1, EVERY_MS, dtype=np.int64)
    day = 0.5 * np.sin(2 * np.pi * time_ms / (24 * HOUR_MS))
    drift = rng.normal(0.0, 1.0) * np.linspace(-1.0, 1.0, len(time_ms))
    return Series(time_ms, np.round(level + day + drift + rng.normal(0.0, noise, len(time_ms)), 2))


def judge_bins(count: int) -> int:
    rng = np.random.default_rng(count)
    limits = effective_limits("eisenia-fetida")
    air = [Sensor(99, Position.AIR, Quantity.TEMPERATURE, "Cel", a_week(17.0, 0.2, rng))]
    weeks = [
        [
            Sensor(n, at, of, unit, a_week(level, noise, rng))
            for n, (at, of, unit, level, noise) in enumerate(CHANNELS)
        ]
        for _ in range(min(DISTINCT, count))
    ]
    rules = rules_for(SubjectKind.BIN)
    shared: dict[object, object] = {}  # as in a pass: the air of a place is worked out once
    found = 0
    for number in range(count):
        one, sensors = bin_(number), weeks[number % len(weeks)]
        subject = Subject(SubjectKind.BIN, one.id)
        seen = Situation(subject, one.name, NOW_MS, SHED, one, limits, sensors, air, air_memo=shared)
        found += len([rule.judge(seen) for rule in rules])
    return found


def all_at_once(count: int) -> None:
    cores = os.cpu_count() or 1
    with ProcessPoolExecutor(cores, mp_context=get_context("spawn")) as pool:
        list(pool.map(judge_bins, [10] * cores))  # so that starting up is not measured
        started = time.perf_counter()
        findings = sum(pool.map(judge_bins, [count // cores] * cores))
        took = time.perf_counter() - started
    alone = time.process_time()
    judge_bins(200)
    alone = (time.process_time() - alone) / 200
    print(
        f"{count} bins of 4 channels, {findings} findings, {cores} cores: {took:.1f} s; "
        f"{alone * 1000:.2f} ms of CPU a bin, {alone * count / cores:.1f} s for all on idle cores",
        flush=True,
    )


def passes(count: int) -> dict[int, float]:
    """Milliseconds of CPU of a pass, by how many bins changed, on a farm of so many."""
    rng = np.random.default_rng(7)
    with (
        TemporaryDirectory() as folder,
        stores(load_settings(None, data_dir=Path(folder))) as (ledger, readings),
    ):
        with ledger.writing() as connection:
            catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
            catalogue.save_place(connection, SHED)
            for number in range(count):
                one = bin_(number)
                catalogue.save_bin(connection, one)
                catalogue.save_probe(connection, Probe(f"probe-{number}", f"probe-{number}", 0))
                for position, quantity, unit, *_ in CHANNELS:
                    name = f"{position.value}-{quantity.value}"
                    channel = catalogue.register_channel(connection, f"probe-{number}", name, unit, quantity)
                    subject = Subject(SubjectKind.BIN, one.id)
                    catalogue.place_channel(connection, channel.id, subject, position, 0)
        for number in range(min(count, 100)):
            for place, (_, _, _, level, noise) in enumerate(CHANNELS):
                week = a_week(level, noise, rng)
                at = zip(week.time_ms.tolist(), week.value.tolist(), strict=True)
                readings.add([Reading(number * 4 + place + 1, t, v, t) for t, v in at])

        def nothing(*_: object) -> None: ...

        watch = Watch(ledger, readings, lambda: NOW_MS, nothing, nothing, nothing, nothing)
        watch.judge(set(), set(), True)  # the survey, and the first share of a round
        for _ in range(2 * count // SHARE + 2):  # its rest
            watch.judge(set(), set(), False)
        found = {}
        for changed in (1, 10, 100):
            channels = set(range(1, 4 * min(changed, count) + 1, 4))
            started = time.process_time()
            for _ in range(3):
                watch.judge(channels, set(), False)
            found[changed] = (time.process_time() - started) / 3 * 1000
        return found


def main() -> None:
    set_up_log("warning")
    all_at_once(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
    few, many = passes(100), passes(1000)
    for changed, cost_ms in few.items():
        print(
            f"pass with {changed} changed bins: {cost_ms:.0f} ms of CPU on a farm of 100, "
            f"{many[changed]:.0f} ms on one of 1000, ratio {many[changed] / cost_ms:.2f}"
        )


if __name__ == "__main__":
    main()
