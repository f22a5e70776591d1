"""The live simulated probes: they step the garden by the farm's clock and speak over real MQTT.

Each probe has a connection of its own, as a real one would: a last will belongs to a connection, so probes
that shared one could not each be said to be offline. Fourteen idle connections cost a small broker nothing.
The library's own threads keep them up; everything else runs on the event loop.
"""

import asyncio
import contextlib
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from underlid.address import BrokerAddress
from underlid.demo.farm import FLAT_PROBE, ProbePlan
from underlid.demo.garden import Garden
from underlid.demo.probes import senml_pack, sensed, snapshot
from underlid.model import LogEntry

SLOWEST_PERIOD_S = 10.0
LONGEST_GAP_MS = 600_000  # farm time between a probe's samples, however fast the clock runs
_KEEPALIVE_S = 60
_CATCH_UP_MS = 6 * 3_600_000  # farm time moved on in one go before others get a turn


def broker_address(url: str, user: str | None = None, password: str | None = None) -> BrokerAddress:
    """Read a broker URL; user and password given apart win over those in the URL. Raises ValueError."""
    address = BrokerAddress.from_url(url)
    return replace(address, user=user or address.user, password=password or address.password)


def connect(address: BrokerAddress, probe_id: str) -> mqtt.Client:
    """Start a probe's client: status `online` retained on every connect, `offline` as its last will,
    reconnects by itself.
    """
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"probe-{probe_id}", protocol=mqtt.MQTTv311)
    status = f"underlid/probe/{probe_id}/status"

    def say_online(
        c: mqtt.Client, _data: object, _flags: mqtt.ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if not reason.is_failure:
            c.publish(status, b"online", qos=1, retain=True)

    client.on_connect = say_online
    client.will_set(status, b"offline", qos=1, retain=True)
    client.reconnect_delay_set(min_delay=1, max_delay=30)
    client.max_queued_messages_set(5_000)
    if address.user is not None:
        client.username_pw_set(address.user, address.password)
    if address.tls:
        client.tls_set(ca_certs=str(address.ca) if address.ca else None)
    client.connect_async(address.host, address.port, keepalive=_KEEPALIVE_S)
    client.loop_start()
    return client


def period_s(speed: float) -> float:
    """Wall seconds between a probe's packs: 10 at speed 1, fewer on a faster clock, never under 2."""
    return max(2.0, SLOWEST_PERIOD_S / (1.0 + 2.0 * math.log10(max(speed, 1.0))))


@dataclass(slots=True)
class _Live:
    """A probe between packs. `due_s` is on the event loop's clock, `sample_ms` on the farm's."""

    plan: ProbePlan
    rng: np.random.Generator
    due_s: float
    sample_ms: int
    samples: list[tuple[int, list[tuple[str, float]]]] = field(default_factory=list)
    client: mqtt.Client | None = None


class Player:
    """Lets every probe of a garden speak, but the one whose battery is flat.

    `now_ms` is the farm's clock, `speed` farm seconds per wall second. `broker` is where to publish. Counts
    packs in `sent`.
    """

    def __init__(
        self,
        garden: Garden,
        broker: BrokerAddress,
        now_ms: Callable[[], int],
        speed: float = 1.0,
        seed: int = 1,
    ) -> None:
        if not speed > 0.0:
            raise ValueError(f"speed must be positive, got {speed:g}")
        self.garden = garden
        self.sent = 0
        self._broker = broker
        self._now_ms = now_ms
        self._period_s = period_s(speed)
        self._gap_ms = min(round(self._period_s * speed * 1000.0), LONGEST_GAP_MS)
        self._plans = [p for p in garden.farm.probes if p.id != FLAT_PROBE]
        self._seed = seed

    def act(self, subject_id: str, entry: LogEntry) -> bool:
        """Let the simulated bin feel what the keeper logged just now; False when nothing of this farm moves
        by it.

        `subject_id` must be the entry's. An entry dated back is felt now: the past is told.
        """
        if subject_id != entry.subject.id:
            raise ValueError(f"the entry is for {entry.subject.id}, not for {subject_id}")
        self.garden.advance(self._now_ms())
        return self.garden.act(entry)

    async def run(self) -> None:
        """Publish until cancelled; then say offline for every probe and disconnect."""
        loop = asyncio.get_running_loop()
        now_s, now_ms = loop.time(), self._now_ms()
        probes = [
            _Live(
                plan,
                np.random.default_rng([self._seed, 131, index]),
                due_s=now_s + 0.5 + self._period_s * index / len(self._plans),
                sample_ms=now_ms + round(self._gap_ms * index / len(self._plans)),
            )
            for index, plan in enumerate(self._plans)
        ]
        try:
            for probe in probes:
                probe.client = connect(self._broker, probe.plan.id)
            while True:
                await self._catch_up(probes)
                self._publish_due(probes, loop.time())
                await asyncio.sleep(max(0.02, min(p.due_s for p in probes) - loop.time()))
        finally:
            await asyncio.shield(asyncio.to_thread(_leave, [p for p in probes if p.client is not None]))

    async def _catch_up(self, probes: list[_Live]) -> None:
        """Move the garden to the farm's now, taking each probe's samples at their moments on the way."""
        now_ms = self._now_ms()
        paused_ms = self.garden.time_ms
        while True:
            first = min(probes, key=lambda p: p.sample_ms)
            if first.sample_ms > now_ms:
                break
            self.garden.advance(first.sample_ms)
            values = sensed(first.plan, self.garden.farm, self.garden, snapshot(self.garden), first.rng)
            first.samples.append((self.garden.time_ms, [(name, float(v[0])) for name, v in values]))
            first.sample_ms += self._gap_ms
            if self.garden.time_ms - paused_ms > _CATCH_UP_MS:
                paused_ms = self.garden.time_ms
                await asyncio.sleep(0)
        self.garden.advance(now_ms)

    def _publish_due(self, probes: list[_Live], now_s: float) -> None:
        for probe in probes:
            if probe.due_s > now_s or probe.client is None:
                continue
            probe.due_s += self._period_s * max(1, math.ceil((now_s - probe.due_s) / self._period_s))
            if probe.samples:
                probe.client.publish(
                    f"underlid/probe/{probe.plan.id}", senml_pack(probe.plan, probe.samples), qos=1
                )
                probe.samples = []
                self.sent += 1


def _leave(probes: list[_Live]) -> None:
    """A clean disconnect drops the last will, so offline is said aloud first."""
    farewells = []
    for probe in probes:
        if probe.client is not None and probe.client.is_connected():
            topic = f"underlid/probe/{probe.plan.id}/status"
            farewells.append(probe.client.publish(topic, b"offline", qos=1, retain=True))
    for farewell in farewells:
        with contextlib.suppress(RuntimeError, ValueError):  # the broker may be gone already
            farewell.wait_for_publish(timeout=0.5)
    clients = [probe.client for probe in probes if probe.client is not None]
    for client in clients:
        client.disconnect()
    for client in clients:  # by now each thread is on its way out, so that they are not waited for in turn
        client.loop_stop()
