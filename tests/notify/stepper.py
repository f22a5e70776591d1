"""A process of its own that takes alarms through their steps and delivers, to be killed at any moment.

`python stepper.py FOLDER URL EPOCH_MS SPEED STEPS`: goes on where the history in the folder's catalogue ends.
"""

import asyncio
import sys
from pathlib import Path

from sqlalchemy import func, select

from underlid.clock import wall_clock
from underlid.model import Alarm, AlarmState, Finding, Priority, Subject, SubjectKind, Transition, Verdict
from underlid.notify.compose import MQTT
from underlid.notify.courier import Courier
from underlid.notify.post import Post
from underlid.notify.targets import senders
from underlid.store import alarms, tables
from underlid.store.ledger import Ledger
from underlid.target import Target

BEHIND = 60  # an alarm is over so many steps after it began
PAUSE_S = 0.01
RULES = ("too-cold", "bin-freezing", "top-drying")


def subject_of(number: int, steps: int) -> tuple[int, str]:
    """The alarm and the cause of a step: each is raised, and later returned."""
    raised = steps // 2
    alone = min(BEHIND, raised)
    if number < alone:
        return number, "raised"
    pairs = number - alone
    if pairs < 2 * (raised - alone):
        return (alone + pairs // 2, "raised") if pairs % 2 == 0 else (pairs // 2, "returned")
    return number - raised, "returned"


def take(ledger: Ledger, post: Post, now_ms: int, steps: int) -> bool:
    """The next step, its history and its notices in one transaction; False: all are taken."""
    with ledger.writing() as connection:
        number = connection.execute(select(func.count()).select_from(tables.transition)).scalar_one()
        if number == steps:
            return False
        which, cause = subject_of(number, steps)
        subject = Subject(SubjectKind.BIN, f"bin-{which:03}")
        rule = RULES[which % len(RULES)]
        over = cause == "returned"
        finding = Finding(
            rule,
            Verdict.CLEAR if over else Verdict.HOLDS,
            now_ms,
            priority=Priority.URGENT if which % 5 == 0 else Priority.TODAY,
            headline=f"<{which:03}> {'is fine' if over else 'needs you'}",
        )
        known = alarms.alarms(connection, subject)
        state = AlarmState.RETURNED if over else AlarmState.UNACKNOWLEDGED
        alarm = Alarm(known[0].id if known else 0, subject, rule, state, raised_ms=now_ms, finding=finding)
        step = Transition(alarms.save(connection, alarm), now_ms, AlarmState.NORMAL, state, cause)
        alarms.add_transition(connection, step)
        post.step(connection, step, f"<{which:03}>")
    return True


async def main(folder: Path, url: str, epoch_ms: int, speed: float, steps: int) -> None:
    def clock() -> int:
        return epoch_ms + int((wall_clock() - epoch_ms) * speed)  # goes on across restarts

    ledger = Ledger(f"sqlite:///{folder / 'catalogue.db'}")
    people = [Target.model_validate({"name": "Keeper", "url": url})]
    post = Post(ledger, people, clock)
    courier = Courier(ledger, senders(people) | {MQTT: lambda _: None}, clock, people)

    async def step() -> None:
        while await asyncio.to_thread(take, ledger, post, clock(), steps):
            courier.posted()
            await asyncio.sleep(PAUSE_S)

    async with asyncio.TaskGroup() as group:
        group.create_task(courier.run())
        group.create_task(step())


if __name__ == "__main__":
    folder, url, epoch_ms, speed, steps = sys.argv[1:]
    asyncio.run(main(Path(folder), url, int(epoch_ms), float(speed), int(steps)))
