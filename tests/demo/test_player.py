"""Live simulated probes over a real broker."""

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Callable
from copy import deepcopy
from itertools import pairwise

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conftest import Mosquitto, free_port, wait_for
from demo.pasts import SUMMER, past
from demo.senml import Record, resolve
from underlid.address import BrokerAddress
from underlid.demo.farm import DRY_BIN, FLAT_PROBE
from underlid.demo.player import LONGEST_GAP_MS, Player, connect, period_s
from underlid.model import LogEntry, Subject, SubjectKind

SPEED = 600.0


class Listener:
    """Everything that was published under a topic, as it came."""

    def __init__(self, port: int, topic: str = "underlid/#") -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = lambda _c, _d, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe(topic, qos=1)
        assert subscribed.wait(10)

    def packs(self, probe_id: str) -> list[bytes]:
        return [payload for topic, payload, _ in list(self.heard) if topic == f"underlid/probe/{probe_id}"]

    def status(self, probe_id: str) -> list[bytes]:
        return [p for topic, p, _ in list(self.heard) if topic == f"underlid/probe/{probe_id}/status"]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def farm_clock(start_ms: int, speed: float) -> Callable[[], int]:
    origin = time.monotonic()
    return lambda: start_ms + round((time.monotonic() - origin) * 1000.0 * speed)


async def until(is_so: Callable[[], bool], what: str, within_s: float = 60.0) -> None:
    deadline = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < deadline, f"{what}: not within {within_s:.0f} s"
        await asyncio.sleep(0.05)


async def play(
    player: Player, meanwhile: Callable[[], "asyncio.Future[None] | None"], until_so: Callable[[], bool]
) -> None:
    task = asyncio.create_task(player.run())
    try:
        await until(until_so, "packs of every probe")
        if (more := meanwhile()) is not None:
            await more
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@pytest.fixture
def player(mosquitto: Mosquitto) -> Player:
    history = past(SUMMER)
    address = BrokerAddress.from_url(mosquitto.url)
    return Player(deepcopy(history.garden), address, farm_clock(history.start_ms, SPEED), SPEED)


def test_every_probe_but_the_flat_one_speaks_dated_by_the_farms_clock(
    player: Player, mosquitto: Mosquitto
) -> None:
    listener = Listener(mosquitto.port)
    start_ms, probes = past(SUMMER).start_ms, past(SUMMER).farm.probes
    speaking = [p for p in probes if p.id != FLAT_PROBE]

    asyncio.run(play(player, lambda: None, lambda: all(len(listener.packs(p.id)) >= 2 for p in speaking)))

    listener.close()
    assert listener.packs(FLAT_PROBE) == []
    assert listener.status(FLAT_PROBE) == []
    for probe in speaking:
        records = [r for pack in listener.packs(probe.id) for r in resolve(pack)]
        assert {r.name.rsplit(":", 1)[1] for r in records} == {c.name for c in probe.channels}
        times_ms = sorted({round(r.time_s * 1000) for r in records})
        assert start_ms < times_ms[0] <= times_ms[-1] <= player.garden.time_ms
        assert max(b - a for a, b in pairwise(times_ms)) <= LONGEST_GAP_MS + 1
        assert listener.status(probe.id)[0] == b"online"
        assert listener.status(probe.id)[-1] == b"offline"
    assert player.sent >= 2 * len(speaking)


def test_what_the_keeper_logs_shows_in_the_readings(player: Player, mosquitto: Mosquitto) -> None:
    listener = Listener(mosquitto.port, f"underlid/probe/{DRY_BIN}-1")
    subject = Subject(SubjectKind.BIN, DRY_BIN)

    def tops() -> list[Record]:
        records = [r for pack in listener.packs(f"{DRY_BIN}-1") for r in resolve(pack)]
        return [r for r in records if r.name.endswith(":top-moist")]

    async def pour() -> None:
        assert player.act(DRY_BIN, LogEntry(1, player.garden.time_ms, subject, "wetted", amount_l=3.0))
        at_s = player.garden.time_ms / 1000.0
        await until(lambda: any(r.time_s > at_s for r in tops()), "a reading after the water")

    asyncio.run(play(player, lambda: asyncio.ensure_future(pour()), lambda: len(tops()) >= 1))

    listener.close()
    assert tops()[0].value < 65.0
    assert tops()[-1].value > 72.0


def test_a_probe_whose_line_is_cut_is_said_to_be_offline_by_its_last_will(mosquitto: Mosquitto) -> None:
    listener = Listener(mosquitto.port, "underlid/probe/alder-1/status")
    client = connect(BrokerAddress.from_url(mosquitto.url), "alder-1")
    wait_for(lambda: listener.status("alder-1") == [b"online"], "online")
    client.loop_stop()
    line = client.socket()
    assert isinstance(line, socket.socket)
    line.shutdown(socket.SHUT_RDWR)
    wait_for(lambda: listener.status("alder-1") == [b"online", b"offline"], "offline")
    listener.close()
    late = Listener(mosquitto.port, "underlid/probe/alder-1/status")
    wait_for(lambda: len(late.heard) == 1, "the retained status")
    assert late.heard[0] == ("underlid/probe/alder-1/status", b"offline", True)
    late.close()
    client.disconnect()


def test_probes_wait_for_a_broker_that_comes_late_and_lose_nothing(
    player: Player, mosquitto: Mosquitto
) -> None:
    mosquitto.stop()
    listeners: list[Listener] = []

    async def come_late() -> None:
        mosquitto.start()
        listeners.append(Listener(mosquitto.port, "underlid/probe/shed-air"))
        await until(lambda: len(listeners[0].packs("shed-air")) >= 3, "packs from before the broker came")

    asyncio.run(play(player, lambda: asyncio.ensure_future(come_late()), lambda: player.sent >= 2 * 13))

    times_s = sorted({r.time_s for pack in listeners[0].packs("shed-air") for r in resolve(pack)})
    listeners[0].close()
    first_due_s = past(SUMMER).start_ms / 1000.0 + LONGEST_GAP_MS / 1000.0
    assert times_s[0] <= first_due_s + 60.0
    assert max(b - a for a, b in pairwise(times_s)) <= LONGEST_GAP_MS / 1000.0 + 0.001


def test_stopping_without_a_broker_does_not_hang() -> None:
    history = past(SUMMER)
    address = BrokerAddress("127.0.0.1", free_port())
    player = Player(deepcopy(history.garden), address, farm_clock(history.start_ms, SPEED), SPEED)
    asyncio.run(play(player, lambda: None, lambda: player.sent > 0))
    assert player.garden.time_ms > history.start_ms


def test_faster_clocks_make_probes_speak_more_often_within_bounds() -> None:
    assert period_s(1.0) == 10.0
    assert 2.0 <= period_s(10_000.0) < period_s(60.0) < period_s(10.0) < 5.0


def test_a_speed_of_nothing_and_a_mixed_up_entry_are_refused() -> None:
    garden = deepcopy(past(SUMMER).garden)
    address = BrokerAddress("127.0.0.1", 1)
    with pytest.raises(ValueError, match="speed must be positive"):
        Player(garden, address, lambda: garden.time_ms, 0.0)
    player = Player(garden, address, lambda: garden.time_ms)
    entry = LogEntry(1, 0, Subject(SubjectKind.BIN, "alder"), "turned")
    with pytest.raises(ValueError, match="the entry is for alder, not for birch"):
        player.act("birch", entry)
