"""Work that one process does for all: whoever holds an advisory lock of PostgreSQL."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import psycopg
import structlog
from psycopg import AsyncConnection

from underlid.store.postgres_server import PATIENCE
from underlid.store.url import first_line

log = structlog.get_logger("underlid.store")

SPACE = 8_480  # the first half of our advisory locks, the second says what for
TRY_S = 2.0


class Election:
    """Runs work while this process is the elected one. `state` tells in words."""

    def __init__(self, url: str, part: str) -> None:
        self._url = url
        self._part = part
        self.state = "another process does it"

    async def run(self, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Take part until cancelled. What the work raises comes out here."""
        while True:
            try:
                connection = await AsyncConnection.connect(self._url, autocommit=True, **PATIENCE)
                async with connection:
                    await self._serve(connection, work)
            except psycopg.Error as error:
                log.warning("not elected", part=self._part, error=first_line(error))
            await asyncio.sleep(TRY_S)

    async def _serve(
        self, connection: AsyncConnection, work: Callable[[], Coroutine[Any, Any, None]]
    ) -> None:
        # So that the server, too, finds out soon when this computer is gone without a word.
        await connection.execute(
            "SELECT set_config('tcp_keepalives_idle', '3', false), set_config('tcp_keepalives_interval', '1', false),"
            " set_config('tcp_keepalives_count', '3', false)"
        )
        while not await self._try(connection):
            await asyncio.sleep(TRY_S)
        log.info("elected", part=self._part)
        self.state = "this process does it"
        task = asyncio.ensure_future(work())
        try:
            while not task.done():
                await asyncio.wait([task], timeout=TRY_S)
                await connection.execute("SELECT 1")
        finally:
            self.state = "another process does it"
            task.cancel()
            await asyncio.wait([task])
        task.result()

    async def _try(self, connection: AsyncConnection) -> bool:
        row = await (
            await connection.execute("SELECT pg_try_advisory_lock(%s, hashtext(%s))", (SPACE, self._part))
        ).fetchone()
        return row is not None and bool(row[0])
