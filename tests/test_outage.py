"""The broker goes away: the watch on real stores tells one cause, and blames no probe for it."""

from pathlib import Path

import numpy as np
from tests.rules.scenario import HOUR_MS, MIN_MS, START_MS

from underlid.ground import stores
from underlid.model import Bin, Farm, Place, Position, Probe, Quantity, Reading, Subject, SubjectKind
from underlid.settings import load_settings
from underlid.store import alarms, catalogue
from underlid.watch import Watch

NAMES = ("alder", "birch", "cherry", "elder")
EVERY_MS = 30 * MIN_MS


def test_one_alarm_tells_that_nobody_is_heard_and_a_probe_that_stays_silent_is_told_after_it(
    tmp_path: Path,
) -> None:
    """All speak for a day; the broker is away for six hours; then all but Elder's probe speak again."""
    now = [START_MS]
    with stores(load_settings(None, data_dir=tmp_path)) as (ledger, readings):
        with ledger.writing() as connection:
            catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
            catalogue.save_place(connection, Place("shed", "Potting shed", outdoors=False))
            for number, name in enumerate(NAMES, 1):
                bin_ = Bin(name, name.title(), "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, 0)
                catalogue.save_bin(connection, bin_)
                catalogue.save_probe(connection, Probe(f"{name}-1", f"{name}-1", START_MS))
                catalogue.register_channel(connection, f"{name}-1", "temp", "Cel", Quantity.TEMPERATURE)
                subject = Subject(SubjectKind.BIN, name)
                catalogue.place_channel(connection, number, subject, Position.CORE, START_MS)
        rng = np.random.default_rng(1)
        for number, name in enumerate(NAMES, 1):
            for at_ms in range(START_MS + number * MIN_MS, START_MS + 40 * HOUR_MS, 10 * MIN_MS):
                hour = (at_ms - START_MS) / HOUR_MS
                if hour < 24 or (hour >= 30 and name != "elder"):
                    readings.add([Reading(number, at_ms, 20.0 + rng.normal(0.0, 0.1), at_ms)])

        class Heard:
            """What had come in by now."""

            def __getattr__(self, name: str) -> object:
                return getattr(readings, name)

            def window(self, channel_id: int, from_ms: int, to_ms: int) -> object:
                return readings.window(channel_id, from_ms, min(to_ms, now[0]))

        def nothing(*_: object) -> None: ...

        watch = Watch(ledger, Heard(), lambda: now[0], nothing, nothing, nothing, nothing)  # type: ignore[arg-type]
        now[0] = START_MS + 23 * HOUR_MS
        while now[0] <= START_MS + 38 * HOUR_MS:
            watch.judge(set(), set(), True)
            now[0] += EVERY_MS
        with ledger.reading() as connection:
            steps = alarms.transitions(connection, START_MS, now[0])
    told = [
        (round((s.at_ms - START_MS) / HOUR_MS, 1), s.alarm.subject.id, s.alarm.rule, s.cause) for s in steps
    ]
    # Two hours after the last was heard; half an hour at most after the first is heard again; two hours of its own.
    assert [step[1:] for step in told] == [
        ("farm", "nothing-heard", "raised"),
        ("farm", "nothing-heard", "returned"),
        ("elder-1", "probe-silent", "raised"),
    ]
    assert [26.0 <= told[0][0] <= 26.5, 30.0 <= told[1][0] <= 30.5, 32.0 <= told[2][0] <= 32.5] == [True] * 3
