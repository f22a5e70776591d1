"""The loop that keeps the readings in order, in turns short enough not to hold up anybody."""

import asyncio
from collections.abc import Callable

import structlog

from underlid.store.readings import Readings, StoreError
from underlid.threads import to_the_end

log = structlog.get_logger("underlid.store")

EVERY_S = 60.0
REST_S = 0.2  # between turns while there is more to do


async def keep_in_order(readings: Readings, clock: Callable[[], int]) -> None:
    """Take turns of upkeep until cancelled."""
    while True:
        try:
            more = await to_the_end(readings.upkeep, clock())
        except StoreError as error:
            log.error("readings not kept in order", error=str(error))
            more = False
        await asyncio.sleep(REST_S if more else EVERY_S)
