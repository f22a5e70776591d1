"""The computer's clock set forward and back, by a minute and by a year: told, and nothing waits for a time that was."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from underlid.clockwatch import STEP_MS, TOLD_FOR_S, ClockWatch
from underlid.model import (
    Alarm,
    AlarmState,
    Farm,
    Finding,
    Message,
    Priority,
    Probe,
    Quantity,
    Reading,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.notify.post import Post
from underlid.rules import life
from underlid.store import alarms, catalogue, outbox
from underlid.store.ledger import Ledger
from underlid.store.sqlite_readings import SqliteReadings
from underlid.target import Target

NOW_MS = 1_800_000_000_000
HOUR_MS, YEAR_MS = 3_600_000, 365 * 86_400_000
ALDER = Subject(SubjectKind.BIN, "alder")


@dataclass
class Shed:
    """A computer whose clock is set by hand; the seconds since it was started go on."""

    ledger: Ledger
    readings: SqliteReadings
    now_ms: int = NOW_MS
    steady_s: float = 1000.0
    steps: list[str] = field(default_factory=list)

    def watch(self) -> ClockWatch:
        return ClockWatch(
            self.ledger,
            self.readings,
            lambda: self.now_ms,
            lambda: self.steps.append("step"),
            lambda: self.steady_s,
        )

    def pass_s(self, seconds: float) -> None:
        self.now_ms += round(seconds * 1000)
        self.steady_s += seconds


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    ledger, readings = (
        Ledger(f"sqlite:///{tmp_path / 'catalogue.db'}"),
        SqliteReadings(tmp_path / "readings.db"),
    )
    with ledger.writing() as connection:
        catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
    yield Shed(ledger, readings)
    readings.close()
    ledger.close()


def test_a_clock_that_goes_with_the_steady_one_is_well_also_a_little_beside(shed: Shed) -> None:
    watch = shed.watch()
    watch.look()
    for _ in range(100):
        shed.pass_s(5)
        shed.now_ms += 500  # a poor crystal
        watch.look()
    assert watch.state == (True, "goes steadily")
    assert shed.steps == []


@pytest.mark.parametrize("step_ms", [2 * STEP_MS, HOUR_MS, YEAR_MS, -2 * STEP_MS, -HOUR_MS, -YEAR_MS])
def test_a_step_is_told_for_an_hour_and_everything_judged_anew(shed: Shed, step_ms: int) -> None:
    watch = shed.watch()
    watch.look()
    shed.now_ms += step_ms
    shed.pass_s(5)
    watch.look()
    is_well, words = watch.state
    assert not is_well
    assert ("forward" if step_ms > 0 else "back") in words
    assert shed.steps == ["step"]
    shed.pass_s(TOLD_FOR_S)
    watch.look()
    assert watch.state[0]
    assert shed.steps == ["step"]


def test_a_start_before_what_is_stored_is_a_step_back(shed: Shed) -> None:
    with shed.ledger.writing() as connection:
        catalogue.save_probe(connection, Probe("alder-1", "alder-1", NOW_MS))
        channel = catalogue.register_channel(connection, "alder-1", "temp", "Cel", Quantity.TEMPERATURE)
    shed.readings.add([Reading(channel.id, NOW_MS, 20.0, NOW_MS)])
    shed.now_ms = NOW_MS - YEAR_MS
    watch = shed.watch()
    watch.look()
    assert "back by 8.76e+03 h" in watch.state[1]


@pytest.mark.parametrize("step_ms", [-HOUR_MS, -YEAR_MS])
def test_a_message_that_waits_is_sent_when_the_clock_goes_back(shed: Shed, step_ms: int) -> None:
    watch = shed.watch()
    watch.look()
    shed.pass_s(5)
    with shed.ledger.writing() as connection:
        outbox.put(connection, [Message("a", "Keeper", "Alder is dry", "", shed.now_ms)])
        outbox.put(connection, [Message("b", "Phone", "Alder is dry", "", shed.now_ms)])
        [failed] = outbox.due(connection, shed.now_ms)["Phone"]
        outbox.failed(connection, failed.id, "away", shed.now_ms + HOUR_MS, shed.now_ms)
    shed.now_ms += step_ms
    shed.pass_s(5)
    watch.look()
    with shed.ledger.reading() as connection:
        due = outbox.due(connection, shed.now_ms)
    assert {target: [message.key for message in messages] for target, messages in due.items()} == {
        "Keeper": ["a"],
        "Phone": ["b"],
    }


@pytest.mark.parametrize("step_ms", [-HOUR_MS, -YEAR_MS])
def test_an_alarm_of_before_the_step_is_told_once(shed: Shed, step_ms: int) -> None:
    targets = [Target.model_validate({"name": "Keeper", "url": "json://127.0.0.1:9/"})]
    post = Post(shed.ledger, targets, lambda: shed.now_ms)
    watch = shed.watch()
    watch.look()
    raise_alarm(shed, post)
    shed.now_ms += step_ms
    shed.pass_s(5)
    watch.look()
    for _ in range(200):  # its gathering time, and hours beyond
        shed.pass_s(60)
        watch.look()
        post.gather()
        post.look_for_worse()
    with shed.ledger.reading() as connection:
        due = outbox.due(connection, shed.now_ms)
    assert len(due["Keeper"]) == 1
    assert due["Keeper"][0].title.startswith("Alder is too warm")


def raise_alarm(shed: Shed, post: Post) -> None:
    finding = Finding(
        "too-warm", Verdict.HOLDS, shed.now_ms, priority=Priority.TODAY, headline="Alder is too warm"
    )
    alarm = Alarm(
        0,
        ALDER,
        "too-warm",
        AlarmState.UNACKNOWLEDGED,
        raised_ms=shed.now_ms,
        changed_ms=shed.now_ms,
        finding=finding,
    )
    with shed.ledger.writing() as connection:
        alarm = alarms.save(connection, alarm)
        step = Transition(alarm, shed.now_ms, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "raised")
        alarms.add_transition(connection, step)
        post.step(connection, step, "Alder")


def test_what_was_shelved_before_the_clock_went_back_by_a_year_comes_back() -> None:
    finding = Finding("too-warm", Verdict.HOLDS, NOW_MS, headline="Alder is too warm")
    alarm = Alarm(1, ALDER, "too-warm", AlarmState.UNACKNOWLEDGED, raised_ms=NOW_MS, finding=finding)
    shelved, _ = life.shelve(alarm, NOW_MS, NOW_MS + 24 * HOUR_MS, "", "Anna")
    after, _ = life.advance(shelved, finding, NOW_MS + HOUR_MS, 0, 0)
    assert after.state is AlarmState.SHELVED
    after, steps = life.advance(shelved, finding, NOW_MS - YEAR_MS, 0, 0)
    assert after.state is AlarmState.UNACKNOWLEDGED
    assert len(steps) == 1
