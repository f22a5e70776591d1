"""What changed, told to every process of the service by PostgreSQL's LISTEN and NOTIFY.

These are nudges: one that is lost costs time, not truth, and after a lost connection everything is looked at anew.
"""

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from typing import Any
from uuid import uuid4

import orjson
import psycopg
import structlog
from psycopg import AsyncConnection

from underlid.store.postgres_server import PATIENCE
from underlid.store.url import first_line

log = structlog.get_logger("underlid.store")

TOPIC = "underlid"
GATHER_S = 0.05
IN_ONE = 700  # ids: PostgreSQL takes 8,000 bytes
AGAIN_S = 2.0


class Bus:
    """`heard` is called with the kind and the ids of what another process said, `missed` when some may be lost."""

    def __init__(self, url: str, heard: Callable[[str, list[str]], None], missed: Callable[[], None]) -> None:
        self._url = url
        self._heard = heard
        self._missed = missed
        self._self = uuid4().hex
        self._waiting: dict[str, dict[str, None]] = {}
        self._wake = asyncio.Event()

    def say(self, kind: str, *ids: str) -> None:
        """Tell the others, soon; on the event loop's thread."""
        self._waiting.setdefault(kind, {}).update(dict.fromkeys(ids))
        self._wake.set()

    async def run(self) -> None:
        """Listen and tell until cancelled."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._keep(self._listen), name="listen")
            group.create_task(self._keep(self._tell), name="tell")

    async def _keep(self, work: Callable[[AsyncConnection], Coroutine[Any, Any, None]]) -> None:
        while True:
            try:
                connection = await AsyncConnection.connect(self._url, autocommit=True, **PATIENCE)
                async with connection:
                    await work(connection)
            except psycopg.Error as error:
                log.warning("other workers can't be heard", error=first_line(error))
            await asyncio.sleep(AGAIN_S)

    async def _listen(self, connection: AsyncConnection) -> None:
        await connection.execute(f"LISTEN {TOPIC}")
        self._missed()
        async for note in connection.notifies():
            who, kind, ids = orjson.loads(note.payload)
            if who != self._self:
                self._heard(kind, ids)

    async def _tell(self, connection: AsyncConnection) -> None:
        while True:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), 10)
            await asyncio.sleep(GATHER_S)
            self._wake.clear()
            waiting, self._waiting = self._waiting, {}
            try:
                for kind, ids in waiting.items():
                    each = list(ids)
                    for start in range(0, max(1, len(each)), IN_ONE):
                        said = orjson.dumps([self._self, kind, each[start : start + IN_ONE]]).decode()
                        await connection.execute("SELECT pg_notify(%s, %s)", (TOPIC, said))
            except psycopg.Error:
                for kind, ids in waiting.items():  # said again on the next connection; twice does no harm
                    self.say(kind, *ids)
                raise
            if not waiting:
                await connection.execute("SELECT 1")  # finds out that the server is gone
