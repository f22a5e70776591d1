"""Backups made again and again, and the oldest taken away."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import structlog

from underlid.clock import Clock
from underlid.exchange.backup import Where, backups_in, make_backup, prune
from underlid.store.readings import StoreError

log = structlog.get_logger("underlid.backup")

HOUR_MS = 3_600_000
AGAIN_MS = HOUR_MS // 4  # until the next try where one failed
_LOOK_S = 30.0  # at most, between two looks at the clock, which may be set


class _StoppedError(Exception):
    """The service ends, and a backup with it."""


class Rotation:
    """Makes a backup whenever the newest is old enough, counted over restarts; `made` is told of each."""

    def __init__(
        self,
        where: Where,
        into: Path,
        every_h: float,
        keep: int,
        clock: Clock,
        made: Callable[[Path], None] = lambda _: None,
    ) -> None:
        self._where = where
        self._into = into
        self._every_ms = round(every_h * HOUR_MS)
        self._keep = keep
        self._clock = clock
        self._made = made
        self._stopping = False
        self.failing = False
        self.state = "waiting for the first"

    async def run(self) -> None:
        """Make backups until cancelled; one that is under way is given up then."""
        not_before_ms = 0
        while True:
            due_ms = max(self._newest_ms() + self._every_ms, not_before_ms)
            wait_s = (due_ms - self._clock()) / 1000
            if wait_s > 0:
                await asyncio.sleep(min(wait_s, _LOOK_S))
                continue
            try:
                await self._make()
            except BlockingIOError:  # of several processes one makes it
                self.state = "another process makes one"
                not_before_ms = self._clock() + AGAIN_MS // 15
            except (OSError, StoreError) as error:
                self.failing, self.state = True, f"the last one failed: {error}"
                log.error("no backup made", error=str(error))
                not_before_ms = self._clock() + AGAIN_MS

    def _newest_ms(self) -> int:
        # One from the future, by a clock that was wrong, must not keep others from being made.
        now_ms = self._clock()
        return max((made_ms for made_ms, _ in backups_in(self._into) if made_ms <= now_ms), default=0)

    async def _make(self) -> None:
        work = asyncio.ensure_future(asyncio.to_thread(self._back_up))
        try:
            path = await asyncio.shield(work)
        except asyncio.CancelledError:
            self._stopping = True
            await asyncio.wait([work])
            work.exception()  # which is that it was given up
            raise
        self.failing, self.state = False, f"the last one is {path.name}"
        log.info("backup made", path=str(path))
        self._made(path)

    def _back_up(self) -> Path:
        now_ms = self._clock()
        path = make_backup(self._where, self._into, now_ms, self._step)
        prune(self._into, self._keep, now_ms)
        return path

    def _step(self, _left: int, _of: int) -> None:
        if self._stopping:
            raise _StoppedError
