"""The courier: takes due messages from the outbox to their targets, each target on its own.

At least once: a message is marked delivered after its target took it. What was marked is never sent again. One gap
is left open, as with any two parties: when the process dies, or is stopped, between the target's acceptance and our
mark, the message is sent again at the next start, word for word, with the same key (the last line of its text, `key`
on MQTT). A receiver that has seen the key has seen the message.

A send runs on a thread of its own. A target that hangs has that one thread and no other: it is told of as failing
after `SLOW_S`, tried again once the thread has come back, and neither other targets nor the end of the program wait
for it.

What waits for a target that is no longer in the settings is not tried: it goes out when a start finds the target there
again, and is given up after as long as any message is. The service is well meanwhile.
"""

import asyncio
import contextlib
import random
from collections.abc import Callable, Mapping, Sequence
from itertools import count
from threading import Thread
from typing import ParamSpec, TypeVar

import structlog
from prometheus_client import Counter

from underlid.clock import Clock
from underlid.model import Message
from underlid.notify.hours import quiet_until_ms
from underlid.notify.post import GONE, Post, zone
from underlid.notify.retry import GIVE_UP_AFTER_MS, next_try_ms
from underlid.notify.targets import Send, SendError
from underlid.store import outbox
from underlid.store.ledger import Ledger
from underlid.store.readings import StoreError
from underlid.target import Target
from underlid.threads import to_the_end

log = structlog.get_logger("underlid.notify")

P = ParamSpec("P")
T = TypeVar("T")

POLL_S = 1.0
WORSE_EVERY_S = 15.0
TIDY_EVERY_S = 12 * 3600.0
SLOW_S = 60.0
STORE_AWAY_S = 5.0  # until the next try when the catalogue fails
STOP_WITHIN_S = 5.0  # so long a message that is being taken may take when the service stops
SENDS = Counter(
    "underlid_messages_sent",
    "Messages of the outbox, by target and what became of them",
    ["target", "became"],
)


class Courier:
    """Gathers what is due into messages and delivers them. `senders` are by the targets' names, MQTT among them."""

    def __init__(
        self, ledger: Ledger, senders: Mapping[str, Send], clock: Clock, targets: Sequence[Target] = ()
    ) -> None:
        self._ledger = ledger
        self._senders = senders
        self._clock = clock
        self._targets = {target.name: target for target in targets}
        self._post = Post(ledger, targets, clock)
        self._posted = asyncio.Event()
        self._busy: set[str] = set()
        self.failing: dict[str, str] = {}
        # Targets that are no longer in the settings, and how many messages wait for each.
        self.gone: dict[str, int] = {}
        self._works = count()
        self._held_up: dict[int, str] = {}  # why each work on the catalogue that is being tried again failed

    def posted(self) -> None:
        """There is something new to send."""
        self._posted.set()

    @property
    def state(self) -> str:
        if self._held_up:
            return f"cannot send: {next(iter(self._held_up.values()))}"
        if self.failing:
            return "; ".join(f"{target}: {error}" for target, error in sorted(self.failing.items()))
        if self.gone:
            waits = "; ".join(f"{count} for {target}" for target, count in sorted(self.gone.items()))
            return f"waits, a week at most, for targets that are no longer in the settings: {waits}"
        return "nothing waits for a failing target"

    @property
    def is_well(self) -> bool:
        return not self.failing and not self._held_up

    async def run(self) -> None:
        """Deliver until cancelled. A target that hangs or fails does not hold up the others."""
        loop = asyncio.get_running_loop()
        look_due = tidy_due = loop.time()
        self.failing = await self._surely(self._failing)
        async with asyncio.TaskGroup() as deliveries:
            while True:
                if loop.time() >= look_due:
                    await self._surely(self._post.look_for_worse)
                    look_due = loop.time() + WORSE_EVERY_S
                if loop.time() >= tidy_due:
                    await self._surely(self._post.tidy)
                    await self._surely(self._give_up)
                    tidy_due = loop.time() + TIDY_EVERY_S
                await self._surely(self._post.gather)
                for target, messages in (await self._surely(self._due)).items():
                    self._busy.add(target)
                    deliveries.create_task(self._deliver(target, messages), name=f"deliver to {target}")
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._posted.wait(), POLL_S)
                self._posted.clear()

    async def _surely(self, work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Work on the catalogue, tried until it can be had: what a target took must be noted before all else."""
        this = next(self._works)
        try:
            while True:
                try:
                    return await to_the_end(work, *args, **kwargs)
                except StoreError as error:
                    if not self._held_up:
                        log.error("nothing sent", error=str(error))
                    self._held_up[this] = str(error)
                await asyncio.sleep(STORE_AWAY_S)
        finally:
            self._held_up.pop(this, None)

    def _failing(self) -> dict[str, str]:
        with self._ledger.reading() as connection:
            found = outbox.failing(connection).items()
            return {target: failing.error for target, failing in found if target in self._senders}

    def _due(self) -> dict[str, list[Message]]:
        with self._ledger.reading() as connection:
            return outbox.due(connection, self._clock(), self._senders.keys() - self._busy)

    def _give_up(self) -> None:
        """Tell of what waits for targets that are not in the settings any more, and give up what did so for long."""
        before_ms = self._clock() - GIVE_UP_AFTER_MS
        with self._ledger.writing() as connection:
            given_up = outbox.give_up_others(connection, self._senders, before_ms, GONE)
            self.gone = outbox.of_others(connection, self._senders)
        for target, messages in given_up.items():
            SENDS.labels(target, "given-up").inc(messages)
            log.warning("messages given up", target=target, messages=messages, reason=GONE)
        for target, messages in self.gone.items():
            log.warning("messages wait", target=target, messages=messages, reason=GONE)

    async def _deliver(self, target: str, messages: list[Message]) -> None:
        try:
            for message in messages:
                if await self._surely(self._wait_for_the_morning, message):
                    continue
                if not await self._hand_over(message):
                    break  # the target is down; its other messages wait with this one
        finally:
            self._busy.discard(target)
            self._posted.set()

    def _wait_for_the_morning(self, message: Message) -> bool:
        """Put a message off that a failure or a restart brought into quiet hours. Was it?"""
        target = self._targets.get(message.target)
        if target is None or target.quiet is None or target.breaks(message.priority):
            return False
        with self._ledger.reading() as connection:
            until_ms = quiet_until_ms(target.quiet, self._clock(), target.clocks(zone(connection)))
        if until_ms is None:
            return False
        with self._ledger.writing() as connection:
            outbox.put_off(connection, message.id, until_ms)
        return True

    async def _hand_over(self, message: Message) -> bool:
        """Send a message and note what came of it. Was it taken?"""
        trial = _on_a_thread(lambda: self._send(message))
        try:
            done, _ = await asyncio.wait([trial], timeout=SLOW_S)
            if not done:
                self.failing[message.target] = f"has not answered for {SLOW_S:.0f} s"
                log.warning("target does not answer", target=message.target)
                await asyncio.wait([trial])
        except asyncio.CancelledError:
            await asyncio.wait([trial], timeout=STOP_WITHIN_S)
            if trial.done():
                with contextlib.suppress(StoreError):  # not noted: it is sent again at the next start
                    await to_the_end(self._note, message, trial.result())
            raise
        error = trial.result()
        await self._surely(self._note, message, error)
        return error is None

    def _send(self, message: Message) -> str | None:
        """Give a message to its target: None, or why it was not taken."""
        try:
            self._senders[message.target](message)
        except SendError as error:
            return str(error)
        except Exception as error:
            log.exception("sender failed", target=message.target)
            return f"{type(error).__name__} in the sender"
        return None

    def _note(self, message: Message, error: str | None) -> None:
        now_ms = self._clock()
        if error is None:
            with self._ledger.writing() as connection:
                outbox.delivered(connection, message.id, now_ms)
            self.failing.pop(message.target, None)
            SENDS.labels(message.target, "delivered").inc()
            return
        due_ms = next_try_ms(message.attempts, message.created_ms, now_ms, random.random())
        with self._ledger.writing() as connection:
            outbox.failed(connection, message.id, error, due_ms, now_ms)
        self.failing[message.target] = error
        SENDS.labels(message.target, "failed" if due_ms else "given-up").inc()
        log.warning("message not delivered", target=message.target, error=error, attempt=message.attempts + 1)


def _on_a_thread(send: Callable[[], str | None]) -> asyncio.Future[str | None]:
    """What a blocking send says, from a thread that the end of the program does not wait for."""
    loop = asyncio.get_running_loop()
    outcome: asyncio.Future[str | None] = loop.create_future()

    def settle(said: str | None) -> None:
        if not outcome.done():
            outcome.set_result(said)

    def work() -> None:
        said = send()
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is there to be told
            loop.call_soon_threadsafe(settle, said)

    Thread(target=work, name="send", daemon=True).start()
    return outcome
