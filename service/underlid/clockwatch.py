"""Whether the computer's clock was set: noticed, told, and what waits for a time set right.

A small computer without a battery for its clock starts in the past and is set once the network is there.
"""

import asyncio
import time
from collections.abc import Callable

import structlog

from underlid.clock import Clock
from underlid.store import catalogue, notices, outbox
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings, StoreError
from underlid.threads import to_the_end

log = structlog.get_logger("underlid")

EVERY_S = 5.0
STEP_MS = 60_000  # less is the drift that NTP sets right
TOLD_FOR_S = 3600.0


def _since_boot_s() -> float:
    """Seconds that also go on while the computer sleeps, where its system counts those."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boottime is None else time.clock_gettime(boottime)


class ClockWatch:
    """Compares the clock with one that never jumps, and at the start with what was stored last."""

    def __init__(
        self,
        ledger: Ledger,
        readings: Readings,
        clock: Clock,
        stepped: Callable[[], None],
        steady_s: Callable[[], float] | None = None,
        speed: float = 1.0,
    ) -> None:
        self._ledger, self._readings = ledger, readings
        self._clock, self._stepped = clock, stepped
        self._steady_s, self._speed = steady_s or _since_boot_s, speed
        self._expected: tuple[int, float] | None = None  # the clock's time, and the steady one's then
        self._told_at_s = 0.0
        self._words = ""

    @property
    def state(self) -> tuple[bool, str]:
        """Is it well, and in words; a step is told for an hour."""
        if self._words and self._steady_s() - self._told_at_s < TOLD_FOR_S:
            return False, self._words
        return True, "goes steadily"

    async def run(self) -> None:
        """Look until cancelled."""
        while True:
            try:
                await to_the_end(self.look)
            except StoreError as error:
                log.error("the clock's step could not be made good", reason=str(error))
            await asyncio.sleep(EVERY_S)

    def look(self) -> None:
        """Compare once, and set right what a step has moved. Raises StoreError, after which it looks again."""
        now_ms, steady_s = self._clock(), self._steady_s()
        if self._expected is None:
            step_ms = min(now_ms - self.last_stored_ms(), 0)
        else:
            then_ms, then_s = self._expected
            step_ms = now_ms - then_ms - round((steady_s - then_s) * 1000 * self._speed)
        if abs(step_ms) >= STEP_MS * self._speed:
            if step_ms < 0:
                with self._ledger.writing() as connection:
                    outbox.clock_went_back(connection, now_ms)
                    notices.clock_went_back(connection, now_ms)
            hours = abs(step_ms) / 3_600_000
            way = "forward" if step_ms > 0 else "back"
            self._words = (
                f"the computer's clock was set {way} by {hours:.3g} h; see that it is right, best by NTP"
            )
            self._told_at_s = steady_s
            log.warning("the computer's clock was set", way=way, hours=round(hours, 3))
            self._stepped()
        self._expected = now_ms, steady_s

    def last_stored_ms(self) -> int:
        """When the newest reading came, by the clock as it was then; 0: there is none. Raises StoreError."""
        with self._ledger.reading() as connection:
            channels = [channel.id for channel in catalogue.channels(connection)]
        return max((reading.received_ms for reading in self._readings.latest(channels).values()), default=0)
