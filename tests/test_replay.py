"""Replay: against the watch on the same stores, with other limits, and as a command."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from tests.rules.scenario import HOUR_MS, MIN_MS, START_MS, series

from underlid.commands.replaying import replay_lines
from underlid.ground import stores
from underlid.model import (
    Alarm,
    AlarmState,
    Bin,
    Farm,
    LogEntry,
    Place,
    Position,
    Probe,
    Quantity,
    Reading,
    Subject,
    SubjectKind,
    Transition,
)
from underlid.replay import changed_rules, play, replay, take_past
from underlid.rules import life
from underlid.settings import load_settings
from underlid.store import alarms as alarm_store
from underlid.store import catalogue
from underlid.store import log as keepers_log
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings
from underlid.watch import Watch

ALDER = Subject(SubjectKind.BIN, "alder")
EVERY_MS = 30 * MIN_MS  # of readings and judging alike, so that delays end when both look
CHANNELS = (("top", Quantity.MOISTURE, "%"), ("top", Quantity.TEMPERATURE, "Cel"))


@dataclass
class Farmstead:
    """A shed with Alder and one probe in its top, on real stores, and the moment that its clock shows."""

    ledger: Ledger
    readings: Readings
    folder: Path
    now_ms: int = START_MS
    watch: Watch = field(init=False)

    def __post_init__(self) -> None:
        with self.ledger.writing() as connection:
            catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
            catalogue.save_place(connection, Place("shed", "Lean-to", outdoors=True))
            bin_ = Bin("alder", "Alder", "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, 0)
            catalogue.save_bin(connection, bin_)
            catalogue.save_probe(connection, Probe("alder-1", "alder-1", START_MS))
            for name, quantity, unit in CHANNELS:
                channel = catalogue.register_channel(connection, "alder-1", name + quantity, unit, quantity)
                catalogue.place_channel(connection, channel.id, ALDER, Position.TOP, START_MS)
        self.restart()

    def restart(self) -> None:
        def nothing(*_: object) -> None: ...

        self.watch = Watch(
            self.ledger, self.readings, lambda: self.now_ms, nothing, nothing, nothing, nothing
        )

    def hear(self, channel: int, spec: object, seed: int = 1) -> None:
        said = series(spec, seed)  # type: ignore[arg-type]
        pairs = zip(said.time_ms.tolist(), said.value.tolist(), strict=True)
        self.readings.add([Reading(channel, at, value, at) for at, value in pairs])

    def live_until(self, end_ms: int, then: Callable[[int], None] = lambda _: None) -> None:
        """Let the watch judge all whenever readings come in."""
        while self.now_ms <= end_ms:
            then(self.now_ms)
            self.watch.judge(set(), set(), True)
            self.now_ms += EVERY_MS

    def act(self, do: Callable[[Alarm], tuple[Alarm, tuple[Transition, ...]]]) -> None:
        """Do something with the alarms that it can be done with."""
        with self.ledger.writing() as connection:
            for alarm in alarm_store.alarms(connection, ALDER):
                try:
                    after, steps = do(alarm)
                except ValueError:
                    continue
                alarm_store.save(connection, after)
                for step in steps:
                    alarm_store.add_transition(connection, step)


@contextmanager
def farmstead(folder: Path) -> Iterator[Farmstead]:
    folder.mkdir(exist_ok=True)
    with stores(load_settings(None, data_dir=folder)) as (ledger, readings):
        yield Farmstead(ledger, readings, folder)


LEVELS = st.sampled_from(["77 for", "66 for", "64 for", "62 for", "49 for", "silent for"])
RUNS = st.lists(st.tuples(LEVELS, st.integers(1, 6)), min_size=2, max_size=5)
DEEDS = ("acknowledge", "shelve", "unshelve", "out", "in", "restart", "wet")


@settings(max_examples=4, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(
    runs=RUNS,
    noise=st.sampled_from([0.0, 0.4]),
    deeds=st.lists(st.tuples(st.integers(1, 60), st.sampled_from(DEEDS)), max_size=6),
)
def test_the_state_after_replaying_the_history_is_the_live_state(
    runs: list[tuple[str, int]], noise: float, deeds: list[tuple[int, str]]
) -> None:
    """Any readings, any deeds of the keeper, restarts in between: the same steps at the same times."""
    with TemporaryDirectory() as folder, farmstead(Path(folder)) as farm:
        spec = "; ".join(f"{level} {hours}h" for level, hours in runs)
        farm.hear(1, {"is": f"77 for 6h; {spec}; 77 for 1h", "noise": noise, "every": "30min"})
        farm.hear(2, {"is": "15 for 48h", "every": "30min"}, 2)
        end_ms = START_MS + (7 + sum(hours for _, hours in runs)) * HOUR_MS
        todo: dict[int, list[str]] = {}
        for turn, what in deeds:
            todo.setdefault(START_MS + turn * EVERY_MS, []).append(what)

        def then(now_ms: int) -> None:
            for what in todo.get(now_ms, ()):
                match what:
                    case "acknowledge":
                        farm.act(lambda alarm: life.acknowledge(alarm, now_ms, "Keeper"))
                    case "shelve":
                        farm.act(lambda a: life.shelve(a, now_ms, now_ms + 5 * HOUR_MS, "later", "Keeper"))
                    case "unshelve":
                        farm.act(lambda alarm: life.unshelve(alarm, now_ms, "Keeper"))
                    case "out":
                        farm.act(lambda alarm: life.take_out_of_service(alarm, now_ms, "rebuilt", "Keeper"))
                    case "in":
                        farm.act(lambda alarm: life.return_to_service(alarm, now_ms, "Keeper"))
                    case "restart":
                        farm.restart()
                    case "wet":
                        with farm.ledger.writing() as connection:
                            keepers_log.add(connection, LogEntry(0, now_ms, ALDER, "wetted", amount_l=1.0))

        farm.live_until(end_ms, then)
        with farm.ledger.reading() as connection:
            live = alarm_store.alarms(connection)
            history = [step for alarm in live for step in alarm_store.history(connection, alarm)]
            past = take_past(connection, farm.readings, START_MS, farm.now_ms - EVERY_MS)
        again, steps = zip(*(play(past, subject, pace_ms=EVERY_MS) for subject in past.subjects), strict=True)
        assert _brief(s for some in steps for s in some) == _brief(history)
        states = {(a.subject, a.rule): _lasting(a) for some in again for a in some if _has_lived(a)}
        assert states == {(a.subject, a.rule): _lasting(a) for a in live if _has_lived(a)}


def _brief(steps: object) -> list[tuple[object, ...]]:
    return sorted(
        (s.at_ms, s.alarm.subject, s.alarm.rule, s.cause, s.before.value, s.after.value)
        for s in steps  # type: ignore[attr-defined]
    )


def _has_lived(alarm: Alarm) -> bool:
    return alarm.state is not AlarmState.NORMAL or alarm.holds_since_ms is not None


def _lasting(alarm: Alarm) -> Alarm:
    """Without its id, and without what no step tells: a reason, and until when it will be shelved."""
    return replace(alarm, id=0, reason="", changed_ms=0, shelved_until_ms=None)


@pytest.fixture
def dry(tmp_path: Path) -> Iterator[Farmstead]:
    """Alder's top falls to 63 % for a day, and the watch has seen it."""
    with farmstead(tmp_path / "data") as farm:
        farm.hear(1, {"is": "77 for 24h; 63 for 24h; 77 for 24h", "noise": 0.3})
        farm.hear(2, {"is": "15 for 72h", "noise": 0.1}, 2)
        farm.now_ms = START_MS + 20 * HOUR_MS
        farm.live_until(START_MS + 70 * HOUR_MS)
        yield farm


def test_the_present_limits_give_the_alarms_that_were_and_others_give_others(dry: Farmstead) -> None:
    with dry.ledger.reading() as connection:
        past = take_past(connection, dry.readings, START_MS + 20 * HOUR_MS, dry.now_ms)
    present = [s for s in replay(past) if s.rule == "top-drying"]
    were = [s for s in past.were if s.rule == "top-drying"]
    assert [s.from_ms // HOUR_MS for s in present] == [s.from_ms // HOUR_MS for s in were]
    assert len(were) == 1
    assert replay(past) == replay(past)
    lower = {ALDER: {"moist_low_pct_wb": 60.0}}
    assert [s for s in replay(past, lower) if not s.forecast and s.rule == "top-drying"] == []
    assert changed_rules(past, lower, [ALDER]) == {"top-drying"}
    assert changed_rules(past, {ALDER: {"moist_low_pct_wb": 65.0}}, [ALDER]) == set()
    with pytest.raises(ValueError, match="must lie within"):
        replay(past, {ALDER: {"moist_low_pct_wb": 600.0}})


def test_a_probe_that_was_moved_is_judged_where_it_sat(dry: Farmstead) -> None:
    with dry.ledger.writing() as connection:  # it was taken out before the top was dry
        catalogue.take_out_channel(connection, 1, START_MS + 22 * HOUR_MS)
        catalogue.take_out_channel(connection, 2, START_MS + 22 * HOUR_MS)
    with dry.ledger.reading() as connection:
        past = take_past(connection, dry.readings, START_MS + 20 * HOUR_MS, dry.now_ms)
    assert [s.rule for s in replay(past)] == []
    assert Subject(SubjectKind.PROBE, "alder-1") in past.surveys[0][1].things
    assert Subject(SubjectKind.PROBE, "alder-1") not in past.surveys[-1][1].things


def test_the_command_tells_what_would_be_and_what_is_wrong(dry: Farmstead, tmp_path: Path) -> None:
    chosen = load_settings(None, data_dir=dry.folder)
    start, end = "2025-11-25T04:00", "2025-11-27T04:00"
    assert any("same  Alder  top-drying" in line for line in replay_lines(chosen, start, end, [], [], None))
    set_ = ["top-drying.moist_low_pct_wb=60"]
    lines = replay_lines(chosen, start, end, ["Alder"], set_, None)
    with_years_before = replay_lines(chosen, "2001-01-01", end, ["Alder"], set_, None)
    assert with_years_before[-1] == lines[-1]
    assert "2001" not in with_years_before[0]  # begun with the first reading
    assert any("gone  Alder  top-drying" in line for line in lines)
    file = tmp_path / "limits.toml"
    file.write_text("[bin.alder]\nmoist_low_pct_wb = 60\n")
    assert replay_lines(chosen, start, end, [], [], file)[-1] == lines[-1]
    for bad, word in (
        (["moist=3"], "no limit moist"),
        (["x"], "limit=value"),
        (["too-wet.freeze_c=1"], "does not look"),
    ):
        with pytest.raises(ValueError, match=word):
            replay_lines(chosen, start, end, [], bad, None)
    with pytest.raises(ValueError, match="no time"):
        replay_lines(chosen, "yesterday", end, [], [], None)
    with pytest.raises(ValueError, match="end after"):
        replay_lines(chosen, end, start, [], [], None)
