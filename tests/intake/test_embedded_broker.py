"""The embedded broker against real clients: mosquitto_pub and mosquitto_sub, paho, and raw sockets.

What is expected of packets is from OASIS MQTT 3.1.1 and OASIS MQTT 5.0; section numbers are of the latter.
"""

import asyncio
import contextlib
import random
import shutil
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from queue import Empty, Queue
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from underlid.intake.broker import BrokerPortError, EmbeddedBroker, embedded_broker
from underlid.intake.embedded import bounds
from underlid.intake.embedded.rights import Rights, hash_password
from underlid.intake.wire.packets import V5, V311, MalformedError
from underlid.intake.wire.read import read, read_connect, take
from underlid.intake.wire.topics import covers, filter_valid, matches

PASSWORD = "of the intake"
V3, FIVE = MQTTProtocolVersion.MQTTv311, MQTTProtocolVersion.MQTTv5
USERS = {name: hash_password(f"{name}'s password") for name in ("alder-1", "probes", "kitchen-panel")}
PATIENCE_S = 20.0

needs_mosquitto_clients = pytest.mark.skipif(
    not shutil.which("mosquitto_pub"), reason="mosquitto's clients are not installed"
)


def lines_of(at: EmbeddedBroker) -> int:
    """How many sessions the router attends to, by the tasks on the broker's loop."""
    running = [task.get_coro() for task in asyncio.all_tasks(LOOPS[at.port])]
    return sum(getattr(each, "__name__", "") == "external_connected" for each in running)


LOOPS: dict[int, asyncio.AbstractEventLoop] = {}


@contextlib.contextmanager
def running(**options: Any) -> Iterator[EmbeddedBroker]:
    """An embedded broker on a loop of its own."""
    given: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": 0,
        "intake_password": PASSWORD,
        "users": {},
        "anonymous": True,
    } | options
    started: Queue[EmbeddedBroker | BaseException] = Queue()
    stop = asyncio.Event()

    async def serve() -> None:
        async with embedded_broker(**given) as broker:
            started.put(broker)
            await stop.wait()
        left = asyncio.all_tasks() - {asyncio.current_task()}
        assert not left, f"tasks are left over: {left}"

    loop = asyncio.new_event_loop()
    failures: list[dict[str, Any]] = []
    loop.set_exception_handler(lambda _, context: failures.append(context))
    serving = threading.Thread(target=lambda: outcome(loop, serve(), started))
    serving.start()
    broker = started.get(timeout=PATIENCE_S)
    if isinstance(broker, BaseException):
        serving.join()
        raise broker
    LOOPS[broker.port] = loop
    try:
        yield broker
    finally:
        loop.call_soon_threadsafe(stop.set)
        serving.join(PATIENCE_S)
        assert not serving.is_alive(), "the broker did not stop"
        assert not failures
        ended = started.get_nowait()
        assert isinstance(ended, asyncio.CancelledError), ended


def outcome(loop: asyncio.AbstractEventLoop, coroutine: Any, into: Queue[Any]) -> None:
    """Run to the end; what went wrong, or a CancelledError for nothing, is put into the queue."""
    try:
        loop.run_until_complete(coroutine)
        into.put(asyncio.CancelledError())
    except BaseException as error:
        into.put(error)
    finally:
        loop.run_until_complete(loop.shutdown_default_executor())
        loop.close()


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    with running() as broker:
        yield broker


@pytest.fixture
def guarded() -> Iterator[EmbeddedBroker]:
    with running(users=USERS, anonymous=False) as broker:
        yield broker


@dataclass
class Client:
    """A paho client that notes what happens to it."""

    client: paho.Client
    messages: Queue[paho.MQTTMessage] = field(default_factory=Queue)
    events: Queue[tuple[str, Any, Any]] = field(default_factory=Queue)

    def event(self, name: str) -> tuple[Any, Any]:
        """Wait for the next event of that name."""
        while True:
            got, value, more = self.events.get(timeout=PATIENCE_S)
            if got == name:
                return value, more

    def take(self, count: int) -> list[paho.MQTTMessage]:
        return [self.messages.get(timeout=PATIENCE_S) for _ in range(count)]

    def subscribe(self, topic_filter: str, qos: int = 1, **more: Any) -> list[int]:
        self.client.subscribe(topic_filter, qos=qos, **more) if not more else self.client.subscribe(
            topic_filter, **more
        )
        codes, _ = self.event("subscribed")
        return [code.value for code in codes]

    def publish(self, topic: str, payload: bytes | str = b"1", qos: int = 1, retain: bool = False) -> int:
        """Publish and wait for the acknowledgement; gives its reason code (level 4: always 0)."""
        number = self.client.publish(topic, payload, qos=qos, retain=retain).mid
        while True:
            got, reason = self.event("published")
            if got == number:
                value: int = reason.value
                return value

    def nothing_comes(self, marker_topic: str, from_client: "Client") -> bool:
        """Whether a marker published now is the next message that comes."""
        from_client.publish(marker_topic, b"marker")
        return bool(self.messages.get(timeout=PATIENCE_S).payload == b"marker")


@contextlib.contextmanager
def client(
    at: EmbeddedBroker,
    name: str,
    version: int = V3,
    user: str | None = None,
    password: str | None = None,
    clean: bool = True,
    manual_ack: bool = False,
    will: tuple[str, bytes] | None = None,
    expiry_s: int = 0,
    connack: Callable[[Any, Any], None] = lambda _flags, _properties: None,
) -> Iterator[Client]:
    """A connected client; left by an orderly DISCONNECT. A refusal raises ConnectionRefusedError."""
    if user is None and name == "underlid-intake":
        user, password = "underlid-intake", PASSWORD
    five = version == FIVE
    inner = paho.Client(
        CallbackAPIVersion.VERSION2,
        name,
        clean_session=None if five else clean,
        protocol=MQTTProtocolVersion(version),
        manual_ack=manual_ack,
        reconnect_on_failure=False,
    )
    noted = Client(inner)
    if user is not None:
        inner.username_pw_set(user, password)
    if will:
        inner.will_set(will[0], will[1], qos=1, retain=True)
    inner.on_message = lambda _c, _u, message: noted.messages.put(message)
    inner.on_subscribe = lambda _c, _u, _m, codes, _p: noted.events.put(("subscribed", codes, None))
    inner.on_publish = lambda _c, _u, mid, reason, _p: noted.events.put(("published", mid, reason))
    inner.on_disconnect = lambda _c, _u, flags, reason, _p: noted.events.put(("gone", flags, reason))
    inner.on_connect = lambda _c, _u, flags, reason, properties: noted.events.put(
        ("connected", reason, (flags, properties))
    )
    if five:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = expiry_s or (0 if clean else 3600)
        inner.connect(at.host, at.port, 60, clean_start=clean, properties=properties)
    else:
        inner.connect(at.host, at.port, 60)
    inner.loop_start()
    try:
        reason, (flags, more) = noted.event("connected")
        if reason.is_failure:
            raise ConnectionRefusedError(str(reason))
        connack(flags, more)
        yield noted
    finally:
        inner.disconnect()
        inner.loop_stop()


def intake(
    at: EmbeddedBroker, version: int = V3, manual_ack: bool = False
) -> contextlib.AbstractContextManager[Client]:
    return client(at, "underlid-intake", version, clean=False, manual_ack=manual_ack)


def service(at: EmbeddedBroker, name: str) -> contextlib.AbstractContextManager[Client]:
    return client(at, name, user="underlid-intake", password=PASSWORD)


def mosquitto(
    command: str, at: EmbeddedBroker, *arguments: str, given: bytes = b""
) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [f"mosquitto_{command}", "-h", at.host, "-p", str(at.port), *arguments],
        input=given,
        capture_output=True,
        timeout=PATIENCE_S,
        check=False,
    )


def text(value: str) -> bytes:
    return struct.pack("!H", len(value.encode())) + value.encode()


def packet(first: int, body: bytes) -> bytes:
    length, out = len(body), bytearray([first])
    while True:
        out.append(length % 128 | (0x80 if length > 127 else 0))
        length //= 128
        if not length:
            return bytes(out) + body


def connect_bytes(
    level: int = V311, name: str = "raw", flags: int = 0x02, keep_alive: int = 0, rest: bytes = b""
) -> bytes:
    properties = b"\0" if level == V5 else b""
    return packet(
        0x10,
        text("MQTT") + bytes([level, flags]) + struct.pack("!H", keep_alive) + properties + text(name) + rest,
    )


@contextlib.contextmanager
def raw(at: EmbeddedBroker, *first: bytes) -> Iterator[socket.socket]:
    with socket.create_connection((at.host, at.port), timeout=PATIENCE_S) as connected:
        for each in first:
            connected.sendall(each)
        yield connected


def answer(connected: socket.socket) -> bytes:
    """The next packet that comes, or nothing at the end of the connection."""
    try:
        head = connected.recv(2, socket.MSG_WAITALL)
        assert len(head) < 2 or head[1] < 128
        return head + (connected.recv(head[1], socket.MSG_WAITALL) if len(head) == 2 and head[1] else b"")
    except ConnectionResetError:
        return b""


# Publishing and reading


@needs_mosquitto_clients
@pytest.mark.parametrize("qos", [0, 1, 2])
@pytest.mark.parametrize("version", ["5", "mqttv311"])
def test_what_mosquitto_pub_sends_reaches_the_intake_at_any_version_and_qos(
    broker: EmbeddedBroker, version: str, qos: int
) -> None:
    with intake(broker) as reader:
        sent = mosquitto(
            "pub",
            broker,
            "-V",
            version,
            "-q",
            str(qos),
            "-t",
            "underlid/probe/alder-1",
            "-m",
            '{"temp": 21.5}',
        )
        assert (sent.returncode, sent.stderr) == (0, b"")
        [message] = reader.take(1)
    assert (message.topic, message.payload, message.qos) == ("underlid/probe/alder-1", b'{"temp": 21.5}', 1)


@needs_mosquitto_clients
@pytest.mark.parametrize("version", ["5", "mqttv311"])
def test_a_burst_at_qos_0_followed_at_once_by_a_disconnect_arrives_whole_and_in_order(
    broker: EmbeddedBroker, version: str
) -> None:
    lines = [b"%d" % number for number in range(2_000)]
    with intake(broker) as reader:
        sent = mosquitto(
            "pub", broker, "-V", version, "-t", "underlid/probe/alder-1", "-l", given=b"\n".join(lines)
        )
        assert sent.returncode == 0
        assert [message.payload for message in reader.take(len(lines))] == lines


@needs_mosquitto_clients
@pytest.mark.parametrize("version", ["5", "mqttv311"])
def test_mosquitto_sub_gets_the_retained_state_of_a_bin(broker: EmbeddedBroker, version: str) -> None:
    with service(broker, "notify") as writer:
        writer.publish("underlid/bin/alder/state", b'{"state": "good"}', retain=True)
    got = mosquitto(
        "sub", broker, "-V", version, "-q", "1", "-t", "underlid/bin/#", "-C", "1", "-F", "%t %p %r"
    )
    assert got.stdout == b'underlid/bin/alder/state {"state": "good"} 1\n'


@pytest.mark.parametrize("version", [V3, FIVE])
@pytest.mark.parametrize("qos", [0, 1, 2])
def test_paho_exchanges_messages_up_to_256_kib(broker: EmbeddedBroker, version: int, qos: int) -> None:
    payload = random.Random(1).randbytes(bounds.MAX_PAYLOAD_BYTES)
    with intake(broker, version) as reader, client(broker, "p", version) as probe:
        probe.publish("underlid/probe/größe", payload, qos=qos)
        [message] = reader.take(1)
    assert (message.topic, message.payload) == ("underlid/probe/größe", payload)


def test_an_empty_message_clears_what_was_retained(broker: EmbeddedBroker) -> None:
    with client(broker, "p", FIVE) as probe, client(broker, "r") as reader:
        probe.publish("underlid/probe/alder-1/status", b"online", retain=True)
        probe.publish("underlid/probe/alder-1/status", b"", retain=True)
        with service(broker, "service") as writer:
            writer.publish("underlid/bin/alder/state", b"good", retain=True)
            writer.publish("underlid/bin/alder/state", b"", retain=True)
            writer.publish("underlid/bin/beech/state", b"good", retain=True)
        reader.subscribe("underlid/bin/#")
        [message] = reader.take(1)
    assert (message.topic, message.retain) == ("underlid/bin/beech/state", True)


def test_a_client_gets_only_what_it_asked_for_though_others_asked_for_more(broker: EmbeddedBroker) -> None:
    with service(broker, "all") as everything, service(broker, "s") as writer:
        everything.subscribe("#")
        writer.publish("underlid/bin/alder/state", b"good", retain=True)
        with client(broker, "one") as reader:
            reader.subscribe("underlid/feed-store/#")
            writer.publish("underlid/bin/alder/state", b"dry")
            assert reader.nothing_comes("underlid/feed-store/tub/state", writer)


def test_after_unsubscribing_nothing_comes(broker: EmbeddedBroker) -> None:
    with (
        service(broker, "service") as writer,
        client(broker, "r") as reader,
    ):
        reader.subscribe("underlid/bin/alder/state")
        reader.subscribe("underlid/bin/beech/state")
        reader.client.unsubscribe("underlid/bin/alder/state")
        writer.publish("underlid/bin/beech/state", b"first")
        assert reader.take(1)[0].payload == b"first"
        writer.publish("underlid/bin/alder/state", b"not wanted")
        assert reader.nothing_comes("underlid/bin/beech/state", writer)


# Wills and keep-alive


@pytest.mark.parametrize("level", [V311, V5])
def test_a_probe_that_breaks_off_is_reported_by_its_will(broker: EmbeddedBroker, level: int) -> None:
    will = (b"\0" if level == V5 else b"") + text("underlid/probe/alder-1/status") + text("offline")
    with intake(broker) as reader, raw(broker, connect_bytes(level, flags=0x26, rest=will)) as probe:
        assert answer(probe)[0] == 0x20
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        probe.close()
        [message] = reader.take(1)
    assert (message.topic, message.payload) == ("underlid/probe/alder-1/status", b"offline")


def test_a_probe_silent_for_one_and_a_half_keep_alives_is_given_up(broker: EmbeddedBroker) -> None:
    will = text("underlid/probe/alder-1/status") + text("offline")
    with intake(broker) as reader, raw(broker, connect_bytes(flags=0x06, keep_alive=1, rest=will)) as probe:
        answer(probe)
        assert reader.take(1)[0].payload == b"offline"
        assert answer(probe) == b""


def test_an_orderly_goodbye_leaves_no_will_unless_it_asks_for_it(broker: EmbeddedBroker) -> None:
    with intake(broker) as reader:
        with client(broker, "p", will=("underlid/probe/alder-1/status", b"quiet")):
            pass
        with client(broker, "q") as other:
            assert reader.nothing_comes("underlid/probe/alder-2", other)
        properties_and_will = b"\0" + text("underlid/probe/alder-1/status") + text("asked for")
        with raw(broker, connect_bytes(V5, flags=0x06, rest=properties_and_will)) as probe:
            answer(probe)
            probe.sendall(packet(0xE0, b"\x04"))  # 3.14.2.1: disconnect with will message
            assert reader.take(1)[0].payload == b"asked for"


# Delivery to the intake


def test_what_was_published_before_the_intake_first_connects_waits_for_it(broker: EmbeddedBroker) -> None:
    with client(broker, "p") as probe:
        probe.publish("underlid/probe/alder-1", b"early")
    with intake(broker) as reader:
        assert reader.take(1)[0].payload == b"early"


@pytest.mark.parametrize("version", [V3, FIVE])
def test_the_unacknowledged_come_again_in_order_and_nothing_else(
    broker: EmbeddedBroker, version: int
) -> None:
    expected = [b"%d" % number for number in range(600)]
    with intake(broker, version, manual_ack=True) as reader, client(broker, "p") as probe:
        reader.subscribe("underlid/probe/#")
        for payload in expected[:400]:
            probe.publish("underlid/probe/alder-1", payload)
        first = reader.take(400)
        for message in [*first[:100], first[250]]:  # out of order, too
            reader.client.ack(message.mid, message.qos)
    assert [message.payload for message in first] == expected[:400]
    assert not any(message.dup for message in first)
    with client(broker, "p") as probe:
        for payload in expected[400:]:
            probe.publish("underlid/probe/alder-1", payload)
    left = expected[100:250] + expected[251:]
    with intake(broker, version, manual_ack=True) as reader:
        again = reader.take(len(left))
        with client(broker, "q") as other:
            assert reader.nothing_comes("underlid/probe/alder-2", other)
    assert [message.payload for message in again] == left
    assert [message.dup for message in again] == [True] * 299 + [False] * 200


def test_more_than_the_window_waits_until_the_intake_acknowledges(broker: EmbeddedBroker) -> None:
    count = bounds.WINDOW + 500
    with intake(broker, manual_ack=True) as reader:
        with client(broker, "p") as probe:
            for number in range(count):
                probe.client.publish("underlid/probe/alder-1", b"%d" % number, qos=1)
            first = reader.take(bounds.WINDOW)
            for _ in range(count):
                probe.event("published")
        with pytest.raises(Empty):
            reader.messages.get_nowait()
        for message in first:
            reader.client.ack(message.mid, message.qos)
        assert [message.payload for message in reader.take(500)] == [
            b"%d" % n for n in range(bounds.WINDOW, count)
        ]


def test_when_the_intakes_queue_is_full_publishers_are_refused_and_what_was_acknowledged_is_kept(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bounds, "LASTING", bounds.Limits(50, 1_000_000))
    with running() as broker:
        taken, refused = [], 0
        with client(broker, "five", FIVE) as five, client(broker, "three", V3) as three:
            for number in range(200):
                reason = five.publish("underlid/probe/alder-1", b"%d" % number)
                taken += [b"%d" % number] if reason == 0 else []
                refused += reason == 0x97  # quota exceeded, 3.4.2.1
            assert len(taken) + refused == 200
            assert 50 <= len(taken) <= 50 + bounds.MAX_UNROUTED
            three.client.publish("underlid/probe/alder-2", b"not taken", qos=1)
            three.event("gone")
            assert three.events.empty(), "it was acknowledged all the same"
        assert broker.counts["refused"] == refused + 1
        with intake(broker) as reader, client(broker, "five", FIVE) as five:
            assert [message.payload for message in reader.take(len(taken))] == taken
            assert five.publish("underlid/probe/alder-1", b"room again") == 0
            assert reader.take(1)[0].payload == b"room again"


def test_a_clean_start_of_the_intake_begins_anew(broker: EmbeddedBroker) -> None:
    with client(broker, "p") as probe:
        probe.publish("underlid/probe/alder-1", b"early")
        with client(broker, "underlid-intake", clean=True) as reader:
            reader.subscribe("underlid/probe/#")
            assert reader.nothing_comes("underlid/probe/alder-1", probe)


# Sessions and bounds of everybody else


@pytest.mark.parametrize("version", [V3, FIVE])
def test_no_session_but_the_intakes_outlives_its_connection(guarded: EmbeddedBroker, version: int) -> None:
    known: list[bool] = []
    told: list[Any] = []

    def noted(flags: Any, properties: Any) -> None:
        known.append(flags.session_present)
        told.append(getattr(properties, "SessionExpiryInterval", None))

    panel: dict[str, Any] = {
        "user": "kitchen-panel",
        "password": "kitchen-panel's password",
        "clean": False,
        "connack": noted,
    }
    with client(guarded, "panel", version, **panel) as reader:
        reader.subscribe("underlid/bin/#")
    with service(guarded, "s") as writer:
        writer.publish("underlid/bin/alder/state", b"missed")
        with client(guarded, "panel", version, **panel) as reader:
            reader.subscribe("underlid/bin/#")
            assert reader.nothing_comes("underlid/bin/alder/state", writer)
    assert known == [False, False]
    assert told == ([0, 0] if version == FIVE else [None, None])  # 3.2.2.3.2: the server's own expiry


def test_a_reader_that_does_not_read_loses_its_oldest_messages_and_is_counted(
    broker: EmbeddedBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bounds, "SHORT", bounds.Limits(20, 1_000_000_000))
    subscribe = packet(0x82, b"\0\1" + text("underlid/bin/#") + b"\0")
    with (
        raw(broker, connect_bytes(), subscribe) as lazy,
        service(broker, "s") as writer,
    ):
        assert [answer(lazy)[0], answer(lazy)[0]] == [0x20, 0x90]
        count = 0
        while not broker.counts["dropped"]:  # the sockets' buffers fill first
            writer.publish("underlid/bin/alder/state", b"%06d" % count + bytes(200_000))
            count += 1
        lazy.settimeout(2.0)
        seen = bytearray()
        with contextlib.suppress(TimeoutError):
            while got := lazy.recv(1 << 20):
                seen += got
    numbers = [int(part[:6]) for part in bytes(seen).split(b"alder/state")[1:]]
    assert numbers == sorted(numbers)
    assert numbers[-1] == count - 1, "the newest is kept"
    assert len(numbers) == count - broker.counts["dropped"]


def test_retained_messages_of_clients_are_bounded_and_the_services_are_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bounds, "MAX_RETAINED", 3)
    with running() as broker, intake(broker) as reader, client(broker, "p") as probe:
        for number in range(5):
            probe.publish(f"underlid/probe/alder-{number}/status", b"online", retain=True)
        assert len(reader.take(5)) == 5, "not retained is passed on all the same"
        assert broker.counts["not retained"] == 2
        with service(broker, "s") as writer:
            writer.publish("underlid/bin/alder/state", b"good", retain=True)
            writer.subscribe("#")
            assert {message.topic for message in writer.take(4)} == {
                *(f"underlid/probe/alder-{number}/status" for number in range(3)),
                "underlid/bin/alder/state",
            }


@pytest.mark.parametrize("level", [V311, V5])
def test_a_packet_too_large_ends_its_connection(broker: EmbeddedBroker, level: int) -> None:
    payload = (b"\0" if level == V5 else b"") + bytes(bounds.MAX_PAYLOAD_BYTES + 1)
    with raw(broker, connect_bytes(level), packet(0x30, text("underlid/probe/a") + payload)) as sender:
        assert answer(sender)[0] == 0x20
        assert answer(sender) == (b"\xe0\x01\x95" if level == V5 else b"")  # 0x95: packet too large
        assert answer(sender) == b""
    assert broker.counts["malformed"] == 1


def test_a_hundred_and_fifty_silent_connections_shut_nobody_out(broker: EmbeddedBroker) -> None:
    with contextlib.ExitStack() as silent:
        for _ in range(150):
            silent.enter_context(raw(broker, b"\x10"))
        with intake(broker) as reader, client(broker, "p", FIVE) as probe:
            probe.publish("underlid/probe/alder-1", b"through")
            assert reader.take(1)[0].payload == b"through"
        assert broker.counts["half-open"] >= 50


def test_a_connection_that_does_not_say_who_it_is_is_closed(
    broker: EmbeddedBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bounds, "CONNECT_WITHIN_S", 0.1)
    with raw(broker) as silent:
        assert answer(silent) == b""
    assert broker.counts["half-open"] == 1


def test_clients_beyond_the_bound_are_turned_away_but_not_the_service(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bounds, "MAX_CLIENTS", 2)
    with running() as broker, client(broker, "one"), client(broker, "two"):
        with raw(broker, connect_bytes(V5, "three")) as third:
            assert answer(third)[3] == 0x89  # server busy
        with raw(broker, connect_bytes(V311, "three")) as third:
            assert answer(third) == b"\x20\x02\0\x03"  # server unavailable
        with intake(broker):
            pass


def test_short_visits_leave_nothing_running(broker: EmbeddedBroker) -> None:
    goodbye = packet(0xE0, b"")
    hello = packet(0x30, text("underlid/probe/alder-1") + b"1")
    for number in range(300):
        name = f"visitor-{number % 7}"
        match number % 4:
            case 0:
                visit = connect_bytes(V311, name) + goodbye
            case 1:
                visit = connect_bytes(V5, name)
            case 2:
                visit = connect_bytes(V311, name) + hello + goodbye
            case _:
                visit = connect_bytes(
                    V311, name, flags=0x06, rest=text("underlid/probe/x/status") + text("offline")
                )
        with raw(broker, visit) as visitor:
            answer(visitor)
    deadline = time.monotonic() + PATIENCE_S
    while lines_of(broker) > 1 and time.monotonic() < deadline:
        time.sleep(0.05)
    assert lines_of(broker) == 1, "the intake's"
    with intake(broker) as reader:
        assert len(reader.take(150)) == 150, "75 messages and 75 wills"


def test_the_later_of_two_clients_of_one_name_stays(broker: EmbeddedBroker) -> None:
    with raw(broker, connect_bytes(V5, "twin")) as first:
        assert answer(first)[3] == 0
        with (
            client(broker, "twin") as second,
            service(broker, "s") as writer,
        ):
            assert answer(first) == b"\xe0\x01\x8e"  # session taken over
            assert answer(first) == b""
            second.subscribe("underlid/bin/#")
            writer.publish("underlid/bin/alder/state", b"to the second")
            assert second.take(1)[0].payload == b"to the second"


def test_nobody_can_take_the_place_of_one_of_the_services_clients(broker: EmbeddedBroker) -> None:
    with intake(broker) as reader, service(broker, "underlid-notify"):
        for level, code in ((V311, 2), (V5, 0x85)):
            for name in ("underlid-intake", "underlid-notify"):
                with raw(broker, connect_bytes(level, name)) as impostor:
                    assert answer(impostor)[3] == code
        with client(broker, "p") as probe:
            assert reader.nothing_comes("underlid/probe/alder-1", probe)


# Rights


@pytest.mark.parametrize(
    ("user", "password"),
    [(None, None), ("alder-1", "wrong"), ("nobody", "alder-1's password"), ("underlid-intake", "wrong")],
)
@pytest.mark.parametrize("version", [V3, FIVE])
def test_who_gives_no_right_name_and_password_is_not_let_in(
    guarded: EmbeddedBroker, version: int, user: str | None, password: str | None
) -> None:
    with pytest.raises(ConnectionRefusedError, match=r"(?i)authori[sz]ed|user ?name"):
        client(guarded, "stranger", version, user, password).__enter__()


def test_a_probe_publishes_to_its_own_two_topics_and_the_shared_user_to_all(guarded: EmbeddedBroker) -> None:
    outcomes = {}
    for user in ("alder-1", "probes"):
        with client(guarded, user, FIVE, user, f"{user}'s password") as probe:
            for topic in (
                "underlid/probe/alder-1",
                "underlid/probe/alder-1/status",
                "underlid/probe/beech-1",
                "underlid/probe/alder-1/more",
                "underlid/bin/alder/state",
                "elsewhere",
                "$SYS/broker",
            ):
                outcomes[user, topic] = probe.publish(topic) == 0
    allowed = {
        user: {topic for (who, topic), may in outcomes.items() if may and who == user}
        for user in ("alder-1", "probes")
    }
    assert allowed == {
        "alder-1": {"underlid/probe/alder-1", "underlid/probe/alder-1/status"},
        "probes": {
            "underlid/probe/alder-1",
            "underlid/probe/alder-1/status",
            "underlid/probe/beech-1",
            "underlid/probe/alder-1/more",
        },
    }
    with intake(guarded) as reader:
        assert len(reader.take(6)) == 6
    assert guarded.counts["not permitted"] == 8


@pytest.mark.parametrize(
    ("topic_filter", "allowed"),
    [
        ("underlid/bin/#", True),
        ("underlid/bin/alder/state", True),
        ("underlid/bin/+/alarm/+", True),
        ("underlid/feed-store/#", True),
        ("#", False),
        ("+/#", False),
        ("underlid/#", False),
        ("underlid/+/alder/state", False),
        ("underlid/probe/#", False),
        ("underlid/probe/alder-1", False),
    ],
)
def test_readers_may_read_the_state_topics_and_nothing_wider(
    guarded: EmbeddedBroker, topic_filter: str, allowed: bool
) -> None:
    for version, refusal in ((V3, 0x80), (FIVE, 0x87)):
        with client(guarded, "panel", version, "kitchen-panel", "kitchen-panel's password") as reader:
            assert reader.subscribe(topic_filter) == [1 if allowed else refusal]


def test_mapped_topics_are_open_to_anonymous_probes_and_kept_for_the_intake() -> None:
    with running(mapped_topics=["zigbee/+/sensor", "underlid/#"]) as broker:
        with client(broker, "p", FIVE) as probe:
            assert probe.publish("zigbee/attic/sensor", b"mapped") == 0
            assert probe.publish("zigbee/attic/other") == 0x87
            assert probe.publish("underlid/bin/alder/state") == 0x87, "however wide the mapping is"
        with intake(broker) as reader:
            assert reader.take(1)[0].payload == b"mapped"


def test_passwords_are_kept_as_salted_hashes_only() -> None:
    first, second = hash_password("one"), hash_password("one")
    assert first != second
    assert "one" not in first
    rights = Rights(PASSWORD, {"a": first, "b": second}, anonymous=False)
    assert rights.admit("a", b"one")
    assert rights.admit("b", b"one")
    assert rights.admit("a", b"two") is None
    with pytest.raises(ValueError, match=r"MQTT user c: .* is not a hash"):
        Rights(PASSWORD, {"c": "plain text"}, anonymous=False)
    for name in ("", "+", "#", "alder/1"):
        with pytest.raises(ValueError, match="cannot be empty or hold"):
            Rights(PASSWORD, {name: first}, anonymous=False)
    with pytest.raises(ValueError, match="belongs to the service"):
        Rights(PASSWORD, {"underlid-intake": first}, anonymous=False)


# The standard


def test_the_welcome_at_level_5_says_what_is_not_offered(broker: EmbeddedBroker) -> None:
    said: list[Any] = []
    with client(broker, "", FIVE, connack=lambda _flags, properties: said.append(properties)):
        pass
    [properties] = said
    assert properties.ReceiveMaximum == bounds.MAX_UNROUTED
    assert properties.MaximumPacketSize == bounds.MAX_PACKET_BYTES
    assert properties.TopicAliasMaximum == 0
    assert properties.SubscriptionIdentifierAvailable == 0
    assert properties.SharedSubscriptionAvailable == 0
    assert properties.AssignedClientIdentifier.startswith("client-")


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        (packet(0x30, text("underlid/probe/a") + b"\x03\x23\0\x01"), 0x94),  # topic alias
        (packet(0x82, b"\0\1\x02\x0b\x05" + text("underlid/bin/#") + b"\1"), 0xA1),  # subscription identifier
        (packet(0x30, text("underlid/+") + b"\0"), 0x90),  # wildcard in a topic name
        (packet(0x30, text("") + b"\0"), 0x90),
        (packet(0x30, text("underlid/probe/a") + b"\x02\x0b\x05"), 0x82),  # a property out of place
        (packet(0x30, text("underlid/probe/a") + b"\x04\x01\0\x01\0"), 0x82),  # a property twice
        (packet(0x32, text("underlid/probe/a") + b"\0\0\0"), 0x82),  # packet identifier 0
        (packet(0x36, text("underlid/probe/a") + b"\0\1\0"), 0x81),  # QoS 3
        (packet(0x80, b"\0\1\0" + text("underlid/bin/#") + b"\1"), 0x81),  # flags of SUBSCRIBE
        (packet(0x82, b"\0\1\0"), 0x81),  # no filter
        (packet(0x30, b"\0\2\xc3\x28\0"), 0x81),  # not UTF-8
        (packet(0x30, text("a\0b") + b"\0"), 0x81),  # U+0000
        (packet(0xF0, b""), 0x82),  # AUTH without having agreed on it
        (connect_bytes(V5), 0x82),  # CONNECT twice
        (b"\x30\xff\xff\xff\xff\x01", 0x81),  # a length of five bytes
    ],
)
def test_a_packet_against_the_standard_is_answered_with_its_reason_and_closed(
    broker: EmbeddedBroker, sent: bytes, reason: int
) -> None:
    with raw(broker, connect_bytes(V5), sent) as client_socket:
        assert answer(client_socket)[3] == 0
        assert answer(client_socket) == bytes([0xE0, 1, reason])
        assert answer(client_socket) == b""


@pytest.mark.parametrize(
    ("sent", "answered"),
    [
        (connect_bytes(3), b"\x20\x02\0\x01"),  # 3.1.1, 3.2.2.3: unacceptable protocol version
        (connect_bytes(6), b"\x20\x02\0\x01"),
        (connect_bytes(V311, "", flags=0), b"\x20\x02\0\x02"),  # identifier rejected
        (
            packet(0x10, text("MQTT") + b"\5\2\0\0\5\x15\0\2md" + text("raw")),
            b"\x20\x03\0\x8c\0",
        ),  # 4.12: method
        (connect_bytes(V311, flags=0x03), b""),  # the reserved flag
        (connect_bytes(V311, flags=0x1A), b""),  # QoS of a will that is not there
        (packet(0xC0, b""), b""),  # PINGREQ before CONNECT
        (b"GET / HTTP/1.1\r\n\r\n", b""),
    ],
)
def test_a_connection_that_begins_wrongly_is_refused(
    broker: EmbeddedBroker, sent: bytes, answered: bytes
) -> None:
    with raw(broker, sent) as client_socket:
        assert answer(client_socket) == answered
        assert answer(client_socket) == b""


def test_shared_subscriptions_and_no_local_are_refused_by_their_reason(broker: EmbeddedBroker) -> None:
    with client(broker, "r", FIVE) as reader:
        assert reader.subscribe("$share/group/underlid/bin/#") == [0x9E]
        assert reader.subscribe("underlid/bin/#", options=SubscribeOptions(qos=1, noLocal=True)) == [0x83]
        assert reader.subscribe("underlid/bin/#", options=SubscribeOptions(qos=2)) == [1]


def test_a_filter_that_is_none_is_refused(broker: EmbeddedBroker) -> None:
    for level, reason in ((V311, 0x80), (V5, 0x8F)):
        properties = b"\0" if level == V5 else b""
        wish = packet(0x82, b"\0\1" + properties + text("underlid/bin#") + b"\1")
        with raw(broker, connect_bytes(level), wish) as reader:
            assert answer(reader)[0] == 0x20
            assert answer(reader)[-1] == reason


def test_retain_handling_decides_whether_retained_messages_come(broker: EmbeddedBroker) -> None:
    with (
        service(broker, "s") as writer,
        client(broker, "r", FIVE) as reader,
    ):
        writer.publish("underlid/bin/alder/state", b"good", retain=True)
        never = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
        reader.subscribe("underlid/bin/alder/state", options=never)
        assert reader.nothing_comes("underlid/bin/alder/state", writer)
        once = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
        reader.subscribe("underlid/bin/+/state", options=once)
        assert reader.take(1)[0].payload == b"good"


def test_topic_filters_match_as_in_the_standards_examples() -> None:
    # MQTT 5.0, 4.7.1.2 and 4.7.1.3, 4.7.2
    for topic in (
        "sport/tennis/player1",
        "sport/tennis/player1/ranking",
        "sport/tennis/player1/score/wimbledon",
    ):
        assert matches(topic, "sport/tennis/player1/#")
    assert matches("sport", "sport/#")
    assert matches("sport/tennis/player1", "sport/tennis/+")
    assert not matches("sport/tennis/player1/ranking", "sport/tennis/+")
    assert not matches("sport", "sport/+")
    assert matches("sport/", "sport/+")
    assert matches("/finance", "+/+")
    assert matches("/finance", "/+")
    assert not matches("/finance", "+")
    assert not matches("$SYS/monitor/Clients", "#")
    assert not matches("$SYS/monitor/Clients", "+/monitor/Clients")
    assert matches("$SYS/monitor/Clients", "$SYS/#")
    for valid in ("#", "sport/tennis/#", "+", "+/tennis/#", "sport/+/player1"):
        assert filter_valid(valid)
    for invalid in ("", "sport/tennis#", "sport/tennis/#/ranking", "sport+"):
        assert not filter_valid(invalid)


def test_a_filter_that_covers_another_takes_every_topic_that_it_takes() -> None:
    levels = ["a", "b", "+", "#"]
    names = ["a", "b", "c"]

    def paths(parts: list[str], depth: int) -> list[str]:
        if depth == 0:
            return []
        shorter = paths(parts, depth - 1)
        return [*parts, *(f"{first}/{rest}" for first in parts if first != "#" for rest in shorter)]

    filters = [each for each in dict.fromkeys(paths(levels, 3)) if filter_valid(each)]
    topics = list(dict.fromkeys(paths(names, 4)))
    taken = {each: {topic for topic in topics if matches(topic, each)} for each in filters}
    for outer in filters:
        for inner in filters:
            assert covers(outer, inner) <= (taken[inner] <= taken[outer]), (outer, inner)


@pytest.mark.parametrize(
    ("length", "encoded"),
    # MQTT 5.0, table 1-1: the bounds of each size of a variable byte integer
    [
        (0, "00"),
        (127, "7f"),
        (128, "8001"),
        (16_383, "ff7f"),
        (16_384, "808001"),
        (2_097_151, "ffff7f"),
        (2_097_152, "80808001"),
    ],
)
def test_packet_lengths_are_read_as_in_the_standards_table(length: int, encoded: str) -> None:
    buffer = bytearray(b"\x30" + bytes.fromhex(encoded) + bytes(length) + b"next")
    assert take(buffer, length) == (0x30, bytes(length))
    assert buffer == b"next"
    with pytest.raises(MalformedError, match="at most"):
        take(bytearray(b"\x30" + bytes.fromhex(encoded)), length - 1)


# Bad bytes


def examples() -> list[bytes]:
    will = b"\0" + text("underlid/probe/a/status") + text("offline")
    five = connect_bytes(V5, "probe", flags=0xE6, rest=will + text("user") + text("password"))
    return [
        five,
        connect_bytes(V311, "probe", flags=0x02),
        packet(0x32, text("underlid/probe/a") + b"\0\1\x02\x01\x01" + b'{"temp": 21.5}'),
        packet(0x30, text("underlid/probe/a") + b"payload"),
        packet(0x82, b"\0\1\0" + text("underlid/bin/#") + b"\1"),
        packet(0xA2, b"\0\1\0" + text("underlid/bin/#")),
        packet(0x62, b"\0\1\0\0"),
        packet(0x40, b"\0\1"),
        packet(0xE0, b"\0\x05\x11\0\0\0\0"),
        packet(0xC0, b""),
    ]


def spoilt(chance: random.Random) -> bytes:
    data = bytearray(chance.choice(examples()))
    for _ in range(chance.randint(1, 4)):
        match chance.randrange(4):
            case 0:
                data[chance.randrange(len(data))] = chance.randrange(256)
            case 1:
                del data[chance.randrange(len(data)) :]
                data = data or bytearray(b"\x10")
            case 2:
                data[chance.randrange(len(data)) : 0] = chance.randbytes(chance.randint(1, 6))
            case _:
                data = bytearray(chance.randbytes(chance.randint(1, 40)))
    return bytes(data)


def test_any_bytes_give_packets_or_a_malformed_error() -> None:
    chance, read_well, malformed = random.Random(20), 0, 0
    for _ in range(30_000):
        buffer, level = bytearray(spoilt(chance)), chance.choice([V311, V5])
        try:
            while taken := take(buffer, 10_000):
                (read_connect(*taken) if taken[0] == 0x10 else read(level, *taken))
                read_well += 1
        except MalformedError:
            malformed += 1
    assert min(read_well, malformed) > 1_000, "all too good or too bad to try every part"


def test_the_broker_lives_through_twenty_thousand_bad_packets(broker: EmbeddedBroker) -> None:
    chance = random.Random(21)
    with intake(broker) as reader:
        reader.subscribe("nothing")
        for _ in range(1_000):
            level = chance.choice([V311, V5])
            first = [connect_bytes(level, f"fuzz-{chance.randrange(5)}")] if chance.random() < 0.8 else []
            with (
                contextlib.suppress(ConnectionError),
                raw(broker, *first, *(spoilt(chance) for _ in range(20))),
            ):
                pass
        with client(broker, "p", FIVE) as probe:
            probe.publish("underlid/probe/still", b"here")
            while reader.take(1)[0].payload != b"here":
                pass
    assert broker.counts["malformed"] > 500


# Starting and stopping


def test_a_port_that_is_taken_gives_one_clear_line(broker: EmbeddedBroker) -> None:
    with pytest.raises(BrokerPortError) as caught, running(port=broker.port):
        pass
    assert isinstance(caught.value, OSError)
    assert str(caught.value) == (
        f"The embedded broker cannot listen on 127.0.0.1:{broker.port} (Address already in use): "
        "free that port, set --broker to another HOST:PORT, or name a broker of your own with --mqtt"
    )


@pytest.mark.parametrize("host", ["192.0.2.1", "no.such.host.invalid"])
def test_an_address_that_is_not_ours_gives_one_clear_line(host: str) -> None:
    with (
        pytest.raises(BrokerPortError, match=rf"^The embedded broker cannot listen on {host}:0 \(.+\): free"),
        running(host=host, anonymous=False),
    ):
        pass


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.2", ""])
def test_anybody_is_let_in_on_loopback_only(host: str) -> None:
    with pytest.raises(ValueError, match="anybody on the network"), running(host=host):
        pass


def test_it_stops_at_once_with_clients_connected_and_tells_those_that_can_be_told() -> None:
    with contextlib.ExitStack() as clients:
        with running() as broker:
            five = clients.enter_context(raw(broker, connect_bytes(V5, "five")))
            three = clients.enter_context(raw(broker, connect_bytes(V311, "three")))
            half_open = clients.enter_context(raw(broker))
            assert answer(five)[3] == answer(three)[3] == 0
        assert answer(five) == b"\xe0\x01\x8b"  # server shutting down
        assert [answer(five), answer(three), answer(half_open)] == [b""] * 3


def test_draining_hands_the_intake_all_that_was_acknowledged_before_the_stop(broker: EmbeddedBroker) -> None:
    with intake(broker) as reader, client(broker, "p") as probe:
        for number in range(3_000):
            probe.client.publish("underlid/probe/alder-1", b"%d" % number, qos=1)
        probe.event("published")
        left = asyncio.run_coroutine_threadsafe(broker.drain(PATIENCE_S), LOOPS[broker.port]).result(
            PATIENCE_S
        )
        assert left == 0
        probe.event("gone")
        acknowledged = 1 + sum(name == "published" for name, _, _ in probe.events.queue)
        taken = [int(message.payload) for message in reader.messages.queue]
        assert taken == list(range(len(taken)))
        assert len(taken) >= acknowledged
    with pytest.raises(ConnectionRefusedError), raw(broker):
        pass


QUIET = """
import asyncio, logging, socket, sys, time
logging.basicConfig(level=logging.INFO)
from underlid.intake.broker import embedded_broker

async def main():
    async with embedded_broker("127.0.0.1", 0, "secret", {}, True) as broker:
        reader, writer = await asyncio.open_connection(broker.host, broker.port)
        writer.write(bytes.fromhex("100f00044d5154540502000000000270310a")[:-1])
        assert (await reader.readexactly(2))[0] == 0x20
    writer.close()

LOOP
"""


@pytest.mark.parametrize(
    "loop", ["asyncio.run(main())", "import uvloop; uvloop.run(main())"], ids=["asyncio", "uvloop"]
)
def test_starting_and_stopping_says_nothing_and_warns_of_nothing(loop: str) -> None:
    ran = subprocess.run(
        [sys.executable, "-W", "error", "-c", QUIET.replace("LOOP", loop)],
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, b"", b"")
