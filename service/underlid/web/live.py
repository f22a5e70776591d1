"""The live stream: nudges ('bin alder changed') to every open page, which fetches what it shows."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable

import orjson
from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse

STILL_IN = "underlid.still_in"  # where the gate says whether whoever asked would still be let in
QUEUE = 200  # nudges a slow page may be behind; then one 'resync' takes their place
HEARTBEAT_S = 15.0
RESYNC = b"event: resync\ndata: {}\n\n"

router = APIRouter(tags=["live"])


class Hub:
    """Hands nudges to subscribers on the event loop's thread; `close` ends every stream."""

    def __init__(self) -> None:
        self._queues: set[asyncio.Queue[bytes | None]] = set()
        self._closed = False

    def nudge(self, kind: str, id_: str) -> None:
        event = b"event: changed\ndata: " + orjson.dumps({"kind": kind, "id": id_}) + b"\n\n"
        for queue in self._queues:
            if queue.qsize() >= QUEUE:
                while not queue.empty():
                    queue.get_nowait()
                event_now = RESYNC
            else:
                event_now = event
            queue.put_nowait(event_now)

    def close(self) -> None:
        self._closed = True
        for queue in self._queues:
            queue.put_nowait(None)

    async def stream(self, still_in: Callable[[], Awaitable[bool]]) -> AsyncIterator[bytes]:
        """Events as bytes until the hub is closed, or the listener is let in no longer (asked at each heartbeat).

        The first one asks for a fetch of everything.
        """
        loop = asyncio.get_running_loop()
        queue: asyncio.Queue[bytes | None] = asyncio.Queue()
        self._queues.add(queue)
        try:
            yield b"retry: 2000\n" + RESYNC
            beat_s = loop.time() + HEARTBEAT_S
            while not self._closed:
                try:
                    event = await asyncio.wait_for(queue.get(), max(beat_s - loop.time(), 0))
                except TimeoutError:
                    if not await still_in():
                        return
                    beat_s = loop.time() + HEARTBEAT_S
                    event = b": beat\n\n"
                if event is None:
                    return
                yield event
        finally:
            self._queues.discard(queue)


class Events(StreamingResponse):
    media_type = "text/event-stream"


@router.get("/live", response_class=Events)
async def live(request: Request) -> Events:
    """Server-sent events: `changed` with a kind and an id, `resync` to fetch everything anew."""
    hub: Hub = request.app.state.context.hub
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return Events(hub.stream(request.scope[STILL_IN]), headers=headers)
