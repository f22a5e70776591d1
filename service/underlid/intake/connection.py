"""The intake's connection to the broker: a client that only receives, on the event loop, at MQTT 5 or 3.1.1.

Messages are handed over in batches and acknowledged when the caller says so, in the order of their arrival and
only on the connection they came in on. The buffer is bounded: when it is full the network waits.

Written on our own packets rather than on a client library: of those for Python, the one that can acknowledge
after the commit at both levels spends longer on a message than everything else here together (measured in
`tests/bench/intake.py`).
"""

import asyncio
import contextlib
import random
import ssl
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple, cast

import structlog

from underlid.address import BrokerAddress
from underlid.clock import Clock
from underlid.intake.wire import read, write
from underlid.intake.wire.packets import V5, V311, Greeting, Kind, MalformedError, Reason

log = structlog.get_logger("underlid.intake")

KEEP_ALIVE_S = 60
LINGER_S = 5.0
GREETING_WITHIN_S = 10.0
SESSION_KEPT_S = 30 * 24 * 3600  # a shed computer may be off for weeks
RECEIVE_MAXIMUM = 1000
BUFFER_MESSAGES = 4000
BUFFER_BYTES = 32 * 1024 * 1024
MAX_PACKET_BYTES = 8 * 1024 * 1024  # more than is taken, so that a message too large can be named as such
BACKOFF_S, BACKOFF_CAP_S = 0.5, 60.0


class Delivery(NamedTuple):
    """A message as it came: `mid` and `generation` are what an acknowledgement needs."""

    topic: str
    payload: bytes
    qos: int
    mid: int
    repeated: bool
    retained: bool  # kept by the broker from before, not said just now
    received_ms: int
    generation: int


class Connection:
    """Everything here runs on the event loop's thread. `state` tells in words how things are."""

    def __init__(
        self,
        address: BrokerAddress,
        client_id: str,
        topics: Sequence[str],
        clock: Clock,
        mqtt5: bool = True,
        former_topics: Sequence[str] = (),
    ) -> None:
        self._address = address
        self._client_id = client_id
        self._topics = topics
        self._former_topics = former_topics  # what the session may still have from another way of running
        self._clock = clock
        self._level = V5 if mqtt5 else V311
        self._buffer: deque[Delivery] = deque()
        self._buffered_bytes = 0
        self._generation = 0
        self._line: _Line | None = None
        self._closing = False
        self._failures = 0
        self._arrived = asyncio.Event()
        self._pause = asyncio.Event()
        self.state = f"connecting to {address}"

    async def run(self) -> None:
        """Connect, and connect again after every loss with full-jitter backoff, until `close`."""
        while not self._closing:
            problem = await self._connect_once()
            if self._closing:
                return
            self._failures += 1
            self.state = f"no connection to {self._address}: {problem}"
            wait_s = random.uniform(0, min(BACKOFF_CAP_S, BACKOFF_S * 2 ** min(self._failures, 10)))
            log.warning(
                "broker away", broker=str(self._address), problem=problem, again_in_s=round(wait_s, 1)
            )
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._pause.wait(), wait_s)

    async def batch(self, most: int, gather_s: float) -> list[Delivery]:
        """The next messages, at most `most`, gathered for `gather_s` after the first; none when it is closing."""
        await self._arrived.wait()
        if len(self._buffer) < most and not self._closing:
            await asyncio.sleep(gather_s)
        taken = [self._buffer.popleft() for _ in range(min(most, len(self._buffer)))]
        self._buffered_bytes -= sum(len(message.payload) for message in taken)
        if not self._buffer and not self._closing:
            self._arrived.clear()
        if self._line is not None and not self._is_full:
            self._line.resume()
        return taken

    def acknowledge(self, messages: Sequence[Delivery]) -> None:
        """Acknowledge what came in on the present connection; the rest will be delivered again."""
        self._failures = 0  # a connection counts as good once something came of it
        if self._line is not None:
            generation = self._generation
            self._line.send(write.pubacks(m.mid for m in messages if m.qos and m.generation == generation))

    def drop(self) -> None:
        """Give the connection up without acknowledging: the broker sends again on the next one."""
        self._forget_buffer()
        if self._line is not None:
            self._line.end("given up, to have it all sent again")

    def stop_receiving(self) -> None:
        """Take no more; what is buffered can still be fetched and acknowledged."""
        self._closing = True
        self._arrived.set()
        self._pause.set()

    @property
    def is_drained(self) -> bool:
        """No more is received, and everything received was fetched."""
        return self._closing and not self._buffer

    async def close(self) -> None:
        """Disconnect, acknowledgements first; the session stays at the broker."""
        self.stop_receiving()
        if self._line is not None:
            self._line.send(write.LEAVE)
            self._line.end("closed")

    async def _connect_once(self) -> str:
        """One connection from start to end; gives why it ended."""
        self._generation += 1
        line = _Line(self, self._level)
        try:
            async with asyncio.timeout(GREETING_WITHIN_S):
                loop = asyncio.get_running_loop()
                secure = ssl.create_default_context(cafile=self._address.ca) if self._address.tls else None
                await loop.create_connection(lambda: line, self._address.host, self._address.port, ssl=secure)
                line.send(self._hello())
                greeting = await line.greeting
        except TimeoutError:
            line.end("")
            self._try_other_level()
            return f"no answer within {GREETING_WITHIN_S:.0f} s"
        except (OSError, ValueError) as error:
            return str(error) or type(error).__name__
        if greeting is None:  # closed without a word, as some do at a level they don't know
            self._try_other_level()
            return await line.ended
        if greeting.reason != Reason.SUCCESS:
            line.end("")
            if greeting.reason == Reason.BAD_VERSION:
                self._try_other_level()
            return f"refused: {_words(greeting.reason)}"
        self._line = line
        self.state = f"connected to {self._address}"
        spoken = "5" if self._level == V5 else "3.1.1"
        log.info("broker connected", broker=str(self._address), mqtt=spoken)
        line.keep_alive(KEEP_ALIVE_S if greeting.keep_alive_s is None else greeting.keep_alive_s)
        line.send(write.subscribe(1, self._topics, self._level, qos=1))
        if self._former_topics:
            line.send(write.unsubscribe(2, self._former_topics, self._level))
        problem = await line.ended
        self._line = None
        self._generation += 1
        return problem

    def _hello(self) -> bytes:
        return write.connect_lasting(
            self._level,
            self._client_id,
            KEEP_ALIVE_S,
            self._address.user,
            self._address.password,
            expiry_s=SESSION_KEPT_S,
            receive_maximum=RECEIVE_MAXIMUM,
            packet_maximum=MAX_PACKET_BYTES,
        )

    def _try_other_level(self) -> None:
        self._level = V311 if self._level == V5 else V5

    # What the line hands over

    def published(self, topic: str, payload: bytes, qos: int, mid: int, flags: int) -> None:
        if self._closing:
            return  # unacknowledged, so it comes again
        repeated, retained = bool(flags & 0x08), bool(flags & 0x01)
        self._buffer.append(
            Delivery(topic, payload, qos, mid, repeated, retained, self._clock(), self._generation)
        )
        self._buffered_bytes += len(payload)
        self._arrived.set()
        if self._is_full and self._line is not None:
            self._line.hold()

    def subscribed(self, codes: bytes) -> None:
        for topic, code in zip(self._topics, codes, strict=False):
            if code >= Reason.UNSPECIFIED:
                self.state = f"{self._address} does not let the intake read {topic}: {_words(code)}"
                log.error("subscription refused", topic=topic, reason=_words(code))

    @property
    def _is_full(self) -> bool:
        return len(self._buffer) >= BUFFER_MESSAGES or self._buffered_bytes >= BUFFER_BYTES

    def _forget_buffer(self) -> None:
        self._buffer.clear()
        self._buffered_bytes = 0
        if not self._closing:
            self._arrived.clear()


class _Line(asyncio.Protocol):
    """One connection: bytes to packets and back, and the keep-alive. It raises nothing into the event loop."""

    def __init__(self, connection: Connection, level: int) -> None:
        self._connection = connection
        self._level = level
        self._buffer = bytearray()
        self._transport: asyncio.Transport | None = None
        self._loop = asyncio.get_running_loop()
        self._heard_at = self._loop.time()
        self._pulse: asyncio.TimerHandle | None = None
        self._held = False
        self._why = ""
        self.greeting: asyncio.Future[Greeting | None] = self._loop.create_future()
        self.ended: asyncio.Future[str] = self._loop.create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)

    def data_received(self, data: bytes) -> None:
        self._heard_at = self._loop.time()
        self._buffer += data
        try:
            while not self._held and (packet := read.take(self._buffer, MAX_PACKET_BYTES)):
                self._take(*packet)
        except MalformedError as error:
            self.end(f"the broker sent {error}")

    def connection_lost(self, exc: Exception | None) -> None:
        if self._pulse is not None:
            self._pulse.cancel()
        if not self.greeting.done():
            self.greeting.set_result(None)
        if not self.ended.done():
            self.ended.set_result(self._why or (str(exc) if exc else "the broker closed the connection"))

    def _take(self, first: int, body: bytes) -> None:
        kind = first >> 4
        if kind == Kind.PUBLISH:
            topic, payload, qos, mid = read.read_publish(self._level, first, body)
            self._connection.published(topic, payload, qos, mid, first & 0x0F)
        elif kind == Kind.CONNACK and not self.greeting.done():
            self.greeting.set_result(read.read_connack(self._level, body))
        elif kind == Kind.SUBACK:
            self._connection.subscribed(read.read_suback(self._level, body))
        elif kind == Kind.DISCONNECT:
            self.end(f"the broker ended it: {_words(read.read_disconnect(self._level, body))}")

    def send(self, packets: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(packets)

    def end(self, why: str) -> None:
        """Close once what was sent is on its way."""
        self._why = self._why or why
        self._held = True
        if self._transport is not None:
            self._transport.close()
            self._loop.call_later(LINGER_S, self._transport.abort)  # a peer that is gone takes nothing

    def hold(self) -> None:
        if not self._held and self._transport is not None:
            self._held = True
            self._transport.pause_reading()

    def resume(self) -> None:
        if self._held and self._transport is not None and not self._transport.is_closing():
            self._held = False
            self._transport.resume_reading()
            self.data_received(b"")  # whole packets may wait in the buffer

    def keep_alive(self, seconds: float) -> None:
        """Ask for a sign of life when nothing was heard for a while; 0: never."""
        if seconds:
            self._beat(seconds)

    def _beat(self, seconds: float) -> None:
        if not self._held and self._loop.time() - self._heard_at > 1.5 * seconds:
            self.end(f"nothing was heard for {1.5 * seconds:.0f} s")
            return
        self.send(write.PINGREQ)
        self._pulse = self._loop.call_later(seconds / 2, self._beat, seconds)


def _words(reason: int) -> str:
    try:
        return Reason(reason).name.lower().replace("_", " ")
    except ValueError:
        return f"reason 0x{reason:02x}"
