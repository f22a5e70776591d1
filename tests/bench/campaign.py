"""Kills, outages and a full disk under load: `python tests/bench/campaign.py [KILLS] [FAULT...]` (20; all).

A publisher sends dated readings at QoS 1 without a pause.

- service, broker, postgresql, influxdb: killed with -9 again and again.
- day: a day of 40 probes, a reading a minute, comes at once while PostgreSQL, then the service, is away.
- disk: the service's disk, a small tmpfs, fills up and gets room again (as root only).

Printed per fault: how often, how many readings were acknowledged to the publisher, stored and stored twice, and the
time until the next reading was stored. Mosquitto writes its sessions once a second: before it is killed the publisher
rests for three.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
import psutil
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.store import servers

from conftest import Mosquitto, Service, channels_in, readings_in, wait_for
from underlid.store.opening import open_readings
from underlid.store.readings import Retention

START_S = 1_750_000_000
RATE_PER_S, PROBES = 300, 9
DAY = 40 * 1440


class Publisher:
    """Sends one reading after the other; knows how many the broker acknowledged."""

    def __init__(self, port: int) -> None:
        self.sent = 0
        self.acknowledged = 0
        self._rests = threading.Event()
        self._ends = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="load", clean_session=False)
        self._client.on_publish = self._taken
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        while not self._ends.is_set():
            if self._rests.is_set() or not self._client.is_connected():
                time.sleep(0.05)
                continue
            self._send()
            time.sleep(1 / RATE_PER_S)

    def _send(self) -> None:
        topic, at_s = f"underlid/probe/p{self.sent % PROBES}", START_S + self.sent
        self._client.publish(topic, f'{{"temp": {self.sent % 40}, "t": {at_s}}}', qos=1)
        self.sent += 1

    def _taken(self, *_: object) -> None:
        self.acknowledged += 1

    def rest(self, seconds: float) -> None:
        self._rests.set()
        time.sleep(seconds)

    def go_on(self) -> None:
        self._rests.clear()

    def send_at_once(self, count: int) -> None:
        """So many readings as fast as the broker takes them, while the others rest."""
        for _ in range(count):
            self._send()
        wait_for(lambda: self.acknowledged == self.sent, "the broker to have them", 300)
        self.go_on()

    def end(self) -> None:
        self._rests.set()
        wait_for(lambda: self.acknowledged == self.sent, "the last acknowledgements", 60)
        self._ends.set()
        self._client.disconnect()
        self._client.loop_stop()


@dataclass
class Farm:
    """A service on a broker and stores, under load; where its readings are, and what recovery took."""

    broker: Mosquitto
    service: Service
    url: str = ""
    recovery: list[float] = field(default_factory=list)

    def stored(self) -> list[int]:
        if not self.url:
            file = self.service.data_dir / "readings.db"
            found = [readings_in(file, channel) for channel in channels_in(file)]
            return [time_ms // 1000 - START_S for channel in found for time_ms, _ in channel]
        with closing(open_readings(self.url, Retention())) as store:
            windows = [store.window(channel, 0, 2**42) for channel in range(1, PROBES + 1)]
            return [time_ms // 1000 - START_S for window in windows for time_ms in window.time_ms.tolist()]

    def until_next(self) -> float:
        before, began = len(self.stored()), time.perf_counter()
        wait_for(lambda: len(self.stored()) > before, "the next reading", 120)
        return time.perf_counter() - began


@contextmanager
def farm(*options: str, url: str = "") -> Iterator[Farm]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder)
        broker.start()
        service = Service(folder / "data", ["--mqtt", broker.url, "--parts", "intake,web", *options])
        try:
            service.start()
            yield Farm(broker, service, url)
            service.stop()
        finally:
            if service.process is not None:
                service.kill()
            broker.stop()


def report(fault: str, times: int, publisher: Publisher, farm: Farm, told: str = "") -> bool:
    wait_for(lambda: len(set(farm.stored())) >= publisher.sent, "every reading", 300)
    found = farm.stored()
    missing, twice = set(range(publisher.sent)) - set(found), len(found) - len(set(found))
    print(
        f"{fault:<18} {times:>4} times   acknowledged {publisher.acknowledged:>7}   stored {len(set(found)):>7}"
        f"   missing {len(missing)}   twice {twice}   recovery median {statistics.median(farm.recovery):.1f} s,"
        f" longest {max(farm.recovery):.1f} s{told}",
        flush=True,
    )
    return not missing and not twice


def again_and_again(fault: str, times: int, farm: Farm, happens: Callable[[Publisher], None]) -> bool:
    publisher = Publisher(farm.broker.port)
    for _ in range(times):
        farm.until_next()
        happens(publisher)
        farm.recovery.append(farm.until_next())
    publisher.end()
    return report(fault, times, publisher, farm)


def kill_service(times: int) -> bool:
    with farm() as killed:

        def happens(_: Publisher) -> None:
            killed.service.kill()
            killed.service.start(wait=False)

        return again_and_again("kill -9 service", times, killed, happens)


def kill_broker(times: int) -> bool:
    with farm() as killed:

        def happens(publisher: Publisher) -> None:
            publisher.rest(3)
            killed.broker.stop(kill=True)
            killed.broker.start()
            publisher.go_on()

        return again_and_again("kill -9 broker", times, killed, happens)


def kill_postgresql(times: int) -> bool:
    with (
        servers.postgres() as server,
        farm("--catalogue", server.url(), "--readings", server.url(), url=server.url()) as killed,
    ):
        return kill_database("kill -9 postgresql", times, killed, server)


def kill_influxdb(times: int) -> bool:
    with servers.influx() as server:
        url = f"influx://127.0.0.1:{server.port}/farm"
        with farm("--readings", url, url=url) as killed:
            return kill_database("kill -9 influxdb", times, killed, server)


def kill_database(fault: str, times: int, killed: Farm, server: servers.Server) -> bool:
    def happens(_: Publisher) -> None:
        assert server.process is not None
        children = psutil.Process(server.process.pid).children(recursive=True)
        server.stop(kill=True)
        for process in children:
            with suppress(psutil.NoSuchProcess):
                process.kill()
        psutil.wait_procs(children, 10)
        server.start()

    return again_and_again(fault, times, killed, happens)


def day_away(_: int) -> bool:
    """A day's readings wait in the broker while the database, then the service, is away."""
    good = True
    with (
        servers.postgres() as server,
        farm("--catalogue", server.url(), "--readings", server.url(), url=server.url()) as left,
    ):
        publisher = Publisher(left.broker.port)
        left.until_next()
        publisher.rest(1)
        server.stop()
        publisher.send_at_once(DAY)
        wait_for(
            lambda: httpx.get(f"{left.service.url}/healthz", timeout=5).status_code == 503,
            "the fault told",
            60,
        )
        assert left.service.process is not None
        memory_mb = psutil.Process(left.service.process.pid).memory_info().rss / 1e6
        server.start()
        left.recovery.append(left.until_next())
        publisher.end()
        good &= report("a day, postgresql", 1, publisher, left, f"   memory {memory_mb:.0f} MB")
    with farm() as left:
        publisher = Publisher(left.broker.port)
        left.until_next()
        publisher.rest(1)
        left.service.stop()
        publisher.send_at_once(DAY)
        left.service.start(wait=False)
        left.recovery.append(left.until_next())
        publisher.end()
        good &= report("a day, service", 1, publisher, left)
    return good


def fill_disk(_: int) -> bool:
    """The data directory on a tmpfs that is too small, then large enough."""
    if os.geteuid() != 0:
        print("full disk          left out: mounting a small disk asks for root")
        return True
    with tempfile.TemporaryDirectory() as name:
        disk = Path(name)
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1500k", "tmpfs", str(disk)], check=True)
        try:
            with farm("--data-dir", str(disk)) as filled:
                filled.service.data_dir = disk
                publisher = Publisher(filled.broker.port)

                def full() -> bool:
                    answer = httpx.get(f"{filled.service.url}/healthz", timeout=5)
                    return answer.status_code == 503 and "full" in answer.json()["parts"]["intake"]

                wait_for(full, "the full disk told by /healthz", 300)
                time.sleep(5)
                subprocess.run(["mount", "-o", "remount,size=64m", str(disk)], check=True)
                filled.recovery.append(filled.until_next())
                publisher.end()
                return report("full disk", 1, publisher, filled)
        finally:
            subprocess.run(["umount", "-l", str(disk)], check=False)


FAULTS: dict[str, Callable[[int], bool]] = {
    "service": kill_service,
    "broker": kill_broker,
    "postgresql": kill_postgresql,
    "influxdb": kill_influxdb,
    "day": day_away,
    "disk": fill_disk,
}


def main(arguments: Sequence[str]) -> None:
    times = int(arguments[0]) if arguments else 20
    print(f"cores {os.cpu_count()}, load {os.getloadavg()[0]:.1f}, {RATE_PER_S} messages a second")
    good = [FAULTS[name](times) for name in arguments[1:] or FAULTS]
    sys.exit(0 if all(good) else 1)


if __name__ == "__main__":
    main(sys.argv[1:])
