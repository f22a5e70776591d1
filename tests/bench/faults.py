"""Faults of a computer that nobody looks after: `python tests/bench/faults.py [read-only] [clock] [alarms]` (all).

- read-only: every write of the service to its disk fails under load, and then no longer.
- clock: its clock is set by an hour and by a year, forward and back, under load (Debian's package `faketime`), with an
  alarm that was raised just before.
- alarms: 10,000 alarms in one moment, one target that hangs and one that takes all.

Printed per fault: what was acknowledged and stored, how often the alarm was told, the time until all was well.
"""

import asyncio
import os
import resource
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.notify.sinks import Sink

from conftest import Mosquitto, Service, channels_in, readings_in, wait_for
from underlid.clock import wall_clock
from underlid.model import (
    Alarm,
    AlarmState,
    Farm,
    Finding,
    Priority,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.notify.compose import MQTT
from underlid.notify.courier import Courier
from underlid.notify.post import Post
from underlid.notify.targets import senders
from underlid.store import alarms, catalogue, notices, outbox
from underlid.store.ledger import Ledger
from underlid.target import Target
from web.screens import backlog

RATE_PER_S, ALARMS = 100, 10_000
HOUR_S, YEAR_S = 3600, 365 * 86_400


class Load:
    """Undated readings of ten probes, one after the other, at QoS 1."""

    def __init__(self, port: int) -> None:
        self.acknowledged = 0
        self._ends = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="load", clean_session=False)
        self._client.on_publish = self._taken
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.sent = 0
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _taken(self, *_: object) -> None:
        self.acknowledged += 1

    def _work(self) -> None:
        while not self._ends.is_set():
            self._client.publish(
                f"underlid/probe/load-{self.sent % 10}", f'[{{"n":"raw","u":"count","v":{self.sent}}}]', qos=1
            )
            self.sent += 1
            time.sleep(1 / RATE_PER_S)

    def end(self) -> None:
        self._ends.set()
        self._thread.join()
        wait_for(lambda: self.acknowledged == self.sent, "the last acknowledgements", 60)
        self._client.disconnect()
        self._client.loop_stop()


def of_load(service: Service) -> Counter[int]:
    """Every number that is stored, and how often."""
    loads = {p["id"] for p in service.items("/probes") if str(p["id"]).startswith("load-")}
    found: Counter[int] = Counter()
    file = service.data_dir / "readings.db"
    ours = {c["id"] for p in service.items("/probes") if p["id"] in loads for c in p["channels"]}  # type: ignore[attr-defined]
    for channel in set(channels_in(file)) & ours:
        found.update(round(value) for _, value in readings_in(file, channel))
    return found


def health(service: Service) -> tuple[int, dict[str, str]]:
    answer = httpx.get(f"{service.url}/healthz", timeout=20)
    return answer.status_code, answer.json()["parts"]


def settled(service: Service, load: Load, fault: str, began: float, more: str = "") -> bool:
    load.end()
    wait_for(lambda: len(of_load(service)) >= load.sent, "every reading", 120)
    found = of_load(service)
    missing, twice = load.acknowledged - len(found), found.total() - len(found)
    print(
        f"{fault:<22} acknowledged {load.acknowledged:>6}   stored {len(found):>6}   missing {missing}   twice {twice}"
        f"   well again after {began:.1f} s   {more}",
        flush=True,
    )
    return not missing and not twice


def read_only(folder: Path) -> bool:
    """Every write to a file fails (a limit of 0 bytes, set from outside); before that, a start on such a disk."""
    broker = Mosquitto(folder)
    broker.start()
    service = Service(folder / "data", ["--mqtt", broker.url])
    service.start()
    assert service.process is not None
    process = service.process.pid
    _, hard = resource.prlimit(process, resource.RLIMIT_FSIZE)
    load = Load(broker.port)
    time.sleep(5)
    resource.prlimit(process, resource.RLIMIT_FSIZE, (0, hard))
    wait_for(lambda: health(service)[0] == 503, "the fault told by /healthz", 60)
    told = health(service)[1]["intake"]
    looks = httpx.get(f"{service.url}/api/v1/farm", timeout=20).status_code
    time.sleep(10)
    resource.prlimit(process, resource.RLIMIT_FSIZE, (hard, hard))
    began = time.perf_counter()
    wait_for(lambda: health(service)[0] == 200, "well again", 120)
    more = f"told: {told}; /api/v1/farm answered {looks} meanwhile"
    good = settled(service, load, "disk refuses writes", time.perf_counter() - began, more)
    service.stop()
    broker.stop()
    return good


def clock(folder: Path, step_s: int) -> bool:
    library = next(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"), None)
    if library is None:
        print("clock: Debian's package faketime is not installed")
        return True
    offset = folder / "offset"
    offset.write_text("+0\n")
    broker, sink = Mosquitto(folder), Sink()
    broker.start()
    environment = {
        "LD_PRELOAD": str(library),
        "FAKETIME_TIMESTAMP_FILE": str(offset),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        "UNDERLID_NOTIFY": sink.url,
    }
    service = Service(folder / "data", ["--mqtt", broker.url], environment)
    service.start()
    service.mqtt_port = broker.port
    service.api("POST", "/places", id="shed", name="Potting shed", outdoors=False)
    service.api("POST", "/bins", id="alder", name="Alder", place_id="shed")
    backlog(service, "alder-1", [74.0] * 20 + [48.0 - i / 20 for i in range(18)])
    wait_for(lambda: any(p["id"] == "alder-1" for p in service.items("/probes")), "the probe")
    service.api("POST", "/probes/alder-1/placement", subject={"kind": "bin", "id": "alder"}, position="top")
    wait_for(lambda: bool(service.items("/alarms?show=live")), "the alarm", 60)
    load = Load(broker.port)
    time.sleep(2)
    offset.write_text(f"{step_s:+d}\n")
    began = time.perf_counter()
    wait_for(lambda: "set" in health(service)[1]["clock"], "the step told by /healthz", 60)
    words = health(service)[1]["clock"]
    wait_for(lambda: bool(dry(sink)), "the alarm told", 90)
    took = time.perf_counter() - began
    time.sleep(20)
    good = settled(
        service,
        load,
        f"clock {step_s / HOUR_S:+.0f} h",
        took,
        f"alarm told {len(dry(sink))} time(s); {words}",
    )
    service.stop()
    broker.stop()
    sink.close()
    return good and len(dry(sink)) == 1


def dry(sink: Sink) -> list[str]:
    """Messages of the alarm: at once, or as told late where the clock says so by now."""
    return [
        body["title"] for body in sink.taken if body["title"].startswith(("Alder: top", "Told late: Alder"))
    ]


def many_alarms(folder: Path) -> bool:
    ledger = Ledger(f"sqlite:///{folder / 'catalogue.db'}")
    good_sink, hanging = Sink(), Sink()
    hanging.hold.clear()
    targets = [
        Target.model_validate({"name": "Keeper", "url": good_sink.url}),
        Target.model_validate({"name": "Hangs", "url": hanging.url}),
    ]
    published: Counter[str] = Counter()
    both = {**senders(targets, lambda _: None), MQTT: lambda message: published.update([message.key])}
    courier = Courier(ledger, both, wall_clock, targets)
    post = Post(ledger, targets, wall_clock)
    now_ms = wall_clock() - 150_000  # their gathering time is over
    with ledger.writing() as connection:
        catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
        for number in range(ALARMS):
            name, subject = f"Bin {number:05}", Subject(SubjectKind.BIN, f"bin-{number:05}")
            headline = f"{name} is too warm"
            finding = Finding("too-warm", Verdict.HOLDS, now_ms, priority=Priority.TODAY, headline=headline)
            alarm = Alarm(
                0,
                subject,
                "too-warm",
                AlarmState.UNACKNOWLEDGED,
                raised_ms=now_ms,
                changed_ms=now_ms,
                finding=finding,
            )
            alarm = alarms.save(connection, alarm)
            step = Transition(alarm, now_ms, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "raised")
            alarms.add_transition(connection, step)
            post.step(connection, step, name)
    before_mb, began = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3, time.perf_counter()
    asyncio.run(until(courier, lambda: bool(good_sink.taken)))
    took = time.perf_counter() - began
    mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3 - before_mb
    with ledger.reading() as connection:
        left = len(notices.pending(connection, "Keeper"))
        waits = outbox.failing(connection)
    twice = published.total() - len(published)
    print(
        f"{ALARMS} alarms at once    {ALARMS - left} told in {len(good_sink.taken)} message(s) after {took:.1f} s, "
        f"{len(published)} published by then, {twice} twice   memory +{mb:.0f} MB   failing: {', '.join(waits)}",
        flush=True,
    )
    ledger.close()
    for sink in (good_sink, hanging):
        sink.close()
    return not left and not twice


async def until(courier: Courier, is_so: Callable[[], bool]) -> None:
    running = asyncio.create_task(courier.run())
    deadline = time.monotonic() + 120
    while not is_so() and time.monotonic() < deadline:
        await asyncio.sleep(0.2)
    running.cancel()
    await asyncio.wait([running])


def main() -> None:
    wanted = sys.argv[1:] or ["read-only", "clock", "alarms"]
    print(f"cores {os.cpu_count()}, load {os.getloadavg()[0]:.1f}, {RATE_PER_S} messages a second")
    runs: list[Callable[[Path], bool]] = []
    if "read-only" in wanted:
        runs.append(read_only)
    if "clock" in wanted:
        runs += [partial(clock, step_s=step_s) for step_s in (HOUR_S, -HOUR_S, YEAR_S, -YEAR_S)]
    if "alarms" in wanted:
        runs.append(many_alarms)
    good = True
    for run in runs:
        with tempfile.TemporaryDirectory() as name:
            good &= run(Path(name))
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
