"""Alarms, a target that fails now and then, and `kill -9`: each step is told, and none again once it was noted."""

import random
import re
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from tests.notify.sinks import Sink
from tests.notify.stepper import subject_of

from conftest import wait_for

STEPS = 500
KILLS = 6
SPEED = 120  # an hour of the farm in half a minute
KEY = re.compile(r"\[(\S+)\]$")


def query(folder: Path, text: str) -> list[tuple[object, ...]]:
    with closing(
        sqlite3.connect(f"file:{folder / 'catalogue.db'}?mode=ro", uri=True, timeout=10)
    ) as connection:
        return connection.execute(text).fetchall()


def noted(folder: Path) -> set[object]:
    """The keys of the messages that are marked delivered."""
    found = query(folder, "SELECT key FROM outbox WHERE target = 'Keeper' AND delivered_ms IS NOT NULL")
    return {key for (key,) in found}


def settled(folder: Path) -> bool:
    waiting = "SELECT (SELECT count(*) FROM outbox WHERE due_ms IS NOT NULL), (SELECT count(*) FROM notice"
    [counts] = query(folder, f"{waiting} WHERE due_ms IS NOT NULL), (SELECT count(*) FROM transition)")
    return counts == (0, 0, STEPS)


def test_the_steps_of_the_test_are_each_alarms_beginning_and_end() -> None:
    taken = [subject_of(number, STEPS) for number in range(STEPS)]
    assert len(set(taken)) == STEPS
    for which in range(STEPS // 2):
        assert taken.index((which, "raised")) < taken.index((which, "returned"))


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_each_step_is_told_and_none_again_once_it_was_noted(tmp_path: Path) -> None:
    luck = random.Random(5)
    # Of ten tries one is refused, one is an error, and one is taken and the line cut before the answer.
    sink = Sink(lambda _: luck.choice([200] * 7 + [429, 503, 0]))
    program = [sys.executable, str(Path(__file__).with_name("stepper.py")), str(tmp_path), sink.url]
    program += [str(time.time_ns() // 1_000_000), str(SPEED), str(STEPS)]

    def keys() -> list[str]:
        found = [KEY.search(message["message"]) for message in list(sink.taken)]
        assert all(found), "every message ends with its key"
        return [match[1] for match in found if match]

    before: list[tuple[int, set[object]]] = []  # per kill: how many were taken, and which were noted
    kills = 0
    process = subprocess.Popen(program)
    try:
        for _ in range(KILLS):
            heard = len(sink.taken)
            wait_for(lambda heard=heard: len(sink.taken) > heard + 1, "messages", 60)  # type: ignore[misc]
            time.sleep(luck.random() * 0.5)
            process.kill()
            process.wait(10)
            kills += not settled(tmp_path)
            before.append((len(sink.taken), noted(tmp_path)))
            process = subprocess.Popen(program)
        wait_for(lambda: settled(tmp_path), "every message", 200)
        assert process.poll() is None
    finally:
        process.kill()
        process.wait(10)
        sink.close()

    assert kills >= 3, "kills after the last message would prove nothing"
    for taken, done in before:
        assert not done & set(keys()[taken:]), "what was noted before a kill came again after it"
    assert noted(tmp_path) == set(keys())

    # A message that came twice was not noted: the answer was lost, or the process died. It is the same, key and all.
    bodies = {
        (key, message["title"], message["message"]) for key, message in zip(keys(), sink.taken, strict=True)
    }
    assert len(bodies) == len(set(keys()))
    notices = query(tmp_path, "SELECT name, cause, outcome, told_ms FROM notice WHERE target = 'Keeper'")
    assert len(notices) == STEPS
    assert all(told_ms is not None and key in set(keys()) for _, _, key, told_ms in notices)
    texts = {key: f"{title}\n{body}" for key, title, body in bodies}
    for name, _, key, _ in notices:
        text = texts[str(key)]
        assert str(name) in text or " more" in text
    repeats = sum(count - 1 for count in Counter(keys()).values())
    print(f"{len(keys())} accepted for {STEPS} steps, {repeats} of them again, {kills} kills")
