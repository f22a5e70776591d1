"""A session at the broker and what takes its messages in; alone, or as a worker's share of several sessions."""

import asyncio
from collections.abc import Callable

import structlog

from underlid.intake.connection import Connection
from underlid.intake.intake import Intake
from underlid.store.leases import BEAT_S, Leases
from underlid.store.readings import StoreError
from underlid.threads import to_the_end

log = structlog.get_logger("underlid.intake")

STOP_WITHIN_S, LEAVE_WITHIN_S = 10, 2


class Session:
    """A connection and the intake behind it, running from `start` to `stop`."""

    def __init__(self, connection: Connection, intake: Intake) -> None:
        self._connection = connection
        self._intake = intake
        self._receiving: asyncio.Task[None] | None = None

    @property
    def broker(self) -> tuple[bool, str]:
        return self._connection.state.startswith("connected"), self._connection.state

    @property
    def intake(self) -> tuple[bool, str]:
        return not self._intake.state.startswith("cannot"), self._intake.state

    def start(self, group: asyncio.TaskGroup) -> None:
        self._receiving = group.create_task(self._connection.run(), name="broker connection")
        group.create_task(self._intake.run(self._connection), name="intake")

    async def stop(self) -> None:
        """Store and acknowledge what was received, and leave; a store that hangs is not waited for."""
        self._connection.stop_receiving()
        for _ in range(STOP_WITHIN_S * 20):
            if self._connection.is_drained and not self._intake.busy:
                break
            await asyncio.sleep(0.05)
        else:
            log.error("stopping with messages in hand; the broker will send them again")
        await self._connection.close()
        if self._receiving is not None:
            await asyncio.wait([self._receiving], timeout=LEAVE_WITHIN_S)
            self._receiving.cancel()  # it may be waiting for a broker that does not answer


class Sessions:
    """The sessions that this worker holds of those that all share. A session outlives its worker: the broker keeps
    what it did not acknowledge, and whoever takes its lease over connects under its name and gets that first."""

    def __init__(self, leases: Leases, open_session: Callable[[int], Session]) -> None:
        self._leases = leases
        self._open = open_session
        self._running: dict[int, Session] = {}
        self._stopping: dict[int, asyncio.Task[None]] = {}

    @property
    def broker(self) -> tuple[bool, str]:
        states = [session.broker for session in self._running.values()]
        if not states:
            return True, "connected by other workers"
        wrong = [state for is_well, state in states if not is_well]
        return not wrong, wrong[
            0
        ] if wrong else f"{states[0][1]}, sessions {', '.join(map(str, sorted(self._running)))}"

    @property
    def intake(self) -> tuple[bool, str]:
        states = [session.intake for session in self._running.values()]
        wrong = [state for is_well, state in states if not is_well]
        return not wrong, wrong[0] if wrong else states[0][1] if states else "by other workers"

    async def run(self, group: asyncio.TaskGroup) -> None:
        """Keep a fair share until cancelled."""
        while True:
            try:
                share = await to_the_end(self._leases.beat)
            except StoreError as error:
                # The sessions go on: whoever has a session is the one the broker knows by its name.
                log.error("leases not prolonged", error=str(error))
            else:
                for piece in sorted(
                    share.held - share.surplus - self._running.keys() - self._stopping.keys()
                ):
                    self._running[piece] = self._open(piece)
                    self._running[piece].start(group)
                    log.info("session taken", number=piece)
                for piece in list(self._running.keys() - (share.held - share.surplus)):
                    self._stopping[piece] = group.create_task(self._hand_on(piece, self._running.pop(piece)))
            await asyncio.sleep(BEAT_S)

    async def _hand_on(self, piece: int, session: Session) -> None:
        await session.stop()
        log.info("session handed on", number=piece)
        try:
            await to_the_end(self._leases.give_back, [piece])
        except StoreError as error:
            log.warning("a lease runs out by itself", error=str(error))
        self._stopping.pop(piece, None)

    async def stop(self) -> None:
        await asyncio.gather(
            *(session.stop() for session in self._running.values()), *self._stopping.values()
        )
        try:
            await to_the_end(self._leases.leave)
        except StoreError as error:
            log.warning("leases run out by themselves", error=str(error))
