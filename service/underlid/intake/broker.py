"""The embedded MQTT broker: enough for a small farm and the demo.

amqtt routes the messages and keeps the retained ones; this is the one file that knows it. All that
clients see is in the package `embedded`: amqtt alone speaks 3.1.1 only, forgets a QoS 1 message that is
not acknowledged within five seconds or before its subscriber goes, and bounds nothing. So each session of
the front has a line to amqtt of its own (through amqtt's interface for external listeners, no port),
always clean and at QoS 0, which within one process loses nothing.

What is promised, and what is not: nothing is kept on disk. A message is acknowledged to its publisher
when it is being passed on, in memory. While the process lives, the intake's session takes every
acknowledged message in the order of its arrival and hands it out again until it is acknowledged; when its
queue is full, publishers are refused rather than messages dropped. When the process is killed, what was
acknowledged to a probe and not yet taken by the intake is lost, and so are the retained messages. Beyond
a handful of probes, or where a kill must lose nothing, use a broker that keeps its queue on disk, such as
Mosquitto.
"""

import asyncio
import contextlib
import itertools
import logging
import os
import ssl
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any, cast

from amqtt.adapters import StreamReaderAdapter, WriterAdapter  # type: ignore[import-untyped]
from amqtt.broker import Broker  # type: ignore[import-untyped]
from amqtt.contexts import BrokerConfig, ListenerConfig, ListenerType  # type: ignore[import-untyped]
from amqtt.session import Session as RoutedSession  # type: ignore[import-untyped]

from underlid.address import is_loopback
from underlid.intake.embedded.front import Front
from underlid.intake.embedded.rights import INTAKE_USER, PROBE_TOPICS, Rights
from underlid.intake.embedded.session import Session
from underlid.intake.wire import read, write
from underlid.intake.wire.packets import V311, Kind, Publish

log = logging.getLogger(__name__)

INTAKE_CLIENT_ID = INTAKE_USER
MAX_ROUTING = 256  # messages the router has taken and not yet passed on
_STOP_WITHIN_S = 0.5


class BrokerPortError(OSError):
    """The embedded broker cannot listen where it was told to."""


@dataclass(frozen=True, slots=True)
class EmbeddedBroker:
    """A running broker: where it listens, and how often it refused, dropped or closed something, by kind."""

    host: str
    port: int
    counts: Mapping[str, int]
    _front: Front = field(repr=False)
    _router: "_Router" = field(repr=False)

    async def drain(self, within_s: float) -> int:
        """Let go of all clients but the service's, so that the intake can take what was acknowledged to them.

        To be called before the intake stops. Returns how many messages it has not acknowledged by then.
        """
        self._front.shut()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                while self._front.owed or self._router.is_busy:
                    await asyncio.sleep(0.01)
        return self._front.owed


@asynccontextmanager
async def embedded_broker(
    host: str,
    port: int,
    intake_password: str,
    users: Mapping[str, str],
    anonymous: bool,
    mapped_topics: Sequence[str] = (),
    look_up: Callable[[str], str | None] = lambda _: None,
) -> AsyncIterator[EmbeddedBroker]:
    """Run a broker on host:port (0: any free port) of the running event loop until the block is left.

    The service's own clients come as the user `underlid-intake` with `intake_password`; the one whose
    client identifier is the same has a lasting session, which is there from the start for
    `underlid/probe/#` and `mapped_topics`. `users` maps a name to what `embedded.rights.hash_password`
    gave for its password, and `look_up` gives the same for a probe that was added, also meanwhile; who may
    do what is in `embedded.rights.Rights`. `anonymous` lets in clients without a name, on loopback only.

    Raises BrokerPortError where it cannot listen, ValueError for users that make no sense and for
    `anonymous` beyond loopback.
    """
    if anonymous and not is_loopback(host):
        raise ValueError(
            f"The embedded broker at {host}:{port} would let in anybody on the network: give the probes "
            f"users and passwords, or set --broker to 127.0.0.1:{port}"
        )
    for library in ("amqtt", "transitions"):
        logging.getLogger(library).setLevel(logging.WARNING)
    router = _Router()
    front = Front(Rights(intake_password, users, anonymous, mapped_topics, look_up), router.line)
    await router.start()
    try:
        front.keep_for_service(INTAKE_CLIENT_ID, (PROBE_TOPICS, *mapped_topics))
        try:
            bound = await front.listen(host, port)
        except (OSError, OverflowError) as error:
            raise BrokerPortError(
                f"The embedded broker cannot listen on {host}:{port} ({_why(error)}): free that port, "
                "set --broker to another HOST:PORT, or name a broker of your own with --mqtt"
            ) from error
        yield EmbeddedBroker(host, bound, front.counts, front, router)
    finally:
        await front.close()
        await router.stop()


def _why(error: Exception) -> str:
    """Give the system's own words; asyncio wraps them in a sentence that repeats the address."""
    number = error.errno if isinstance(error, OSError) else None
    return os.strerror(number) if number and number > 0 else str(error)


class _Router(Broker):  # type: ignore[misc]  # amqtt carries no type marker
    """amqtt without ports, with a bounded queue, saying when a message is being passed on."""

    def __init__(self) -> None:
        everybody = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
        listener = ListenerConfig(type=ListenerType.EXTERNAL)
        super().__init__(BrokerConfig(listeners={"default": listener}, plugins=everybody))
        self._broadcast_queue: asyncio.Queue[dict[str, Any]] = asyncio.Queue(MAX_ROUTING)
        self._lines: dict[str, _Line] = {}
        self._numbers = itertools.count(1)

    def line(self, session: Session) -> "_Line":
        line = _Line(self, f"line-{next(self._numbers)}", session)
        self._lines[line.name] = line
        line.task.add_done_callback(lambda _: self._ended(line))
        return line

    def _ended(self, line: "_Line") -> None:
        del self._lines[line.name]
        if not line.task.cancelled() and (error := line.task.exception()):
            log.error("The embedded broker's router failed on a line", exc_info=error)
        line.session.lost()

    async def _broadcast_message(
        self,
        session: RoutedSession | None,
        topic: str | None,
        data: bytes | bytearray | None,
        force_qos: int | None = None,
    ) -> None:
        await super()._broadcast_message(session, topic, data, force_qos)
        if session and (line := self._lines.get(session.client_id)):
            line.session.routed()

    @property
    def is_busy(self) -> bool:
        """Whether a message is on its way to a session, or a session that ended has some to be passed on."""
        ending = any(line.hung_up or line.session.unrouted for line in self._lines.values())
        passing = any(not task.done() for task in self._tasks_queue)
        return ending or passing or not self._broadcast_queue.empty()

    async def stop(self) -> None:
        """Let the lines, which were all hung up, run out, then amqtt.

        Its own way of stopping waits for ever on a line that has only just begun, so both waits are bounded.
        """
        if lines := [line.task for line in self._lines.values()]:
            await asyncio.wait(lines, timeout=_STOP_WITHIN_S)
        if left := self._broadcast_queue.qsize():
            log.warning("The embedded broker stops with %d messages not passed on", left)
            while not self._broadcast_queue.empty():
                self._broadcast_queue.get_nowait()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self.shutdown(), _STOP_WITHIN_S)
        tasks = [task for task in (*lines, self._broadcast_task, self._session_monitor_task) if task]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


class _Line(WriterAdapter):  # type: ignore[misc]
    """One session's line to amqtt: packets of MQTT 3.1.1 both ways, without a socket."""

    def __init__(self, router: _Router, name: str, session: Session) -> None:
        self.name = name
        self.session = session
        self._down = asyncio.StreamReader()
        self._up = bytearray()
        self.hung_up = False
        self._down.feed_data(write.connect(name))
        self.task = asyncio.create_task(
            router.external_connected(StreamReaderAdapter(self._down), self, "default")
        )

    def publish(self, topic: str, payload: bytes, retain: bool) -> None:
        self._down.feed_data(write.publish(V311, topic, payload, 0, retain))

    def subscribe(self, topic_filter: str) -> None:
        self._down.feed_data(write.subscribe(1, [topic_filter]))

    def hang_up(self) -> None:
        """End the line once amqtt is known to attend to it: an end that comes earlier passes it by."""
        if not self.hung_up:
            self.hung_up = True
            self._down.feed_data(write.PINGREQ)

    # What amqtt writes to

    def write(self, data: bytes) -> None:
        self._up += data
        while taken := read.take(self._up, len(self._up)):
            first, body = taken
            if first >> 4 == Kind.SUBACK:
                self.session.subscribed()
            elif first >> 4 == Kind.PINGRESP:
                self._down.feed_eof()
            elif first >> 4 == Kind.PUBLISH:
                packet = cast(Publish, read.read(V311, first, body))
                self.session.delivered(packet.topic, packet.payload, packet.retain)

    async def drain(self) -> None:
        pass

    def get_peer_info(self) -> tuple[str, int]:
        return self.name, 0

    def get_ssl_info(self) -> ssl.SSLObject | None:
        return None

    async def close(self) -> None:
        pass
