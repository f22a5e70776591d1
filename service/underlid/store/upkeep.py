"""The loop that keeps the readings in order, in turns short enough not to hold up anybody."""

import asyncio
from collections.abc import Callable

import structlog

from underlid.store.readings import Readings, StoreError
from underlid.threads import to_the_end

log = structlog.get_logger("underlid.store")

EVERY_S = 60.0
REST_S = 0.2  # between turns while there is more to do
AWAY_MS = 30 * 86_400_000  # so long nothing may have come in before a start, as far as the clock is believed


async def keep_in_order(
    readings: Readings, clock: Callable[[], int], last_stored_ms: Callable[[], int], speed: float = 1.0
) -> None:
    """Take turns of upkeep until cancelled.

    What is old is let go for good, so the clock is not simply believed: the time is taken to be a month after the
    newest reading of before this start came, and what has passed since, at most. A clock that runs ahead by more
    takes nothing away; after a winter without readings, what is too old stays until the next start.
    """
    loop = asyncio.get_running_loop()
    began_s, began_ms = loop.time(), None
    while True:
        try:
            if began_ms is None:
                began_ms = await to_the_end(last_stored_ms) or clock()
            passed_ms = round((loop.time() - began_s) * 1000 * speed)
            more = await to_the_end(readings.upkeep, min(clock(), began_ms + AWAY_MS + passed_ms))
        except StoreError as error:
            log.error("readings not kept in order", error=str(error))
            more = False
        await asyncio.sleep(REST_S if more else EVERY_S)
