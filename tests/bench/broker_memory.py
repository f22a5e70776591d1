"""Print the embedded broker's resident memory, and its slope, under what would make a broker grow.

Run from the root of the repository: `python -m tests.bench.broker_memory [--messages N] [--reconnects N]`.
Takes some minutes. Needs `mosquitto_pub` and `mosquitto_sub`.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import multiprocessing
import socket
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping
from multiprocessing.connection import Connection

import psutil

from underlid.intake.broker import embedded_broker
from underlid.intake.embedded.rights import hash_password

HOST = "127.0.0.1"
SERVICE = ("-u", "underlid-intake", "-P", "intake")
PANEL = ("-u", "panel", "-P", "panel")
PAYLOAD = b'{"temp": 21.4, "moist": 2310, "rh": 88.1, "batt": 3.91, "t": 1764000000} '.ljust(119)


def serve(pipe: Connection) -> None:
    """Run a broker until told to stop; answer every other word with the counts so far."""

    async def main() -> None:
        async with embedded_broker(HOST, 0, "intake", {"panel": hash_password("panel")}, True) as broker:
            pipe.send(broker.port)
            while await asyncio.to_thread(pipe.recv) != "stop":
                pipe.send(dict(broker.counts))

    asyncio.run(main())


class Bench:
    def __init__(self) -> None:
        self._pipe, theirs = multiprocessing.Pipe()
        self._process = multiprocessing.get_context("spawn").Process(target=serve, args=(theirs,))
        self._process.start()
        self.port: int = self._pipe.recv()
        self._resident = psutil.Process(self._process.pid)

    def counts(self) -> Mapping[str, int]:
        self._pipe.send("counts")
        counts: Mapping[str, int] = self._pipe.recv()
        return counts

    def resident_mib(self) -> float:
        return float(self._resident.memory_info().rss) / 2**20

    def stop(self) -> None:
        self._pipe.send("stop")
        self._process.join()

    def mosquitto(self, command: str, *arguments: str, given: bytes = b"") -> int:
        at = [f"mosquitto_{command}", "-h", HOST, "-p", str(self.port), *arguments]
        return subprocess.run(at, input=given, capture_output=True, check=False).returncode

    @contextlib.contextmanager
    def intake(self) -> Iterator[None]:
        """An intake that takes everything, so that nothing waits for it."""
        at = ["mosquitto_sub", "-h", HOST, "-p", str(self.port), "-t", "underlid/probe/#", "-q", "1"]
        with subprocess.Popen(
            [*at, "-c", "-i", "underlid-intake", *SERVICE], stdout=subprocess.DEVNULL
        ) as taker:
            yield
            taker.terminate()

    def publish(self, count: int, topic: str, *arguments: str) -> None:
        """In runs of 50,000: mosquitto_pub ends too early once its packet identifiers begin anew."""
        while count:
            run = min(count, 50_000)
            self.mosquitto("pub", "-q", "1", "-t", topic, "-l", *arguments, given=(PAYLOAD + b"\n") * run)
            count -= run

    def grow(self, title: str, total: int, each: Callable[[int], None], unit: str) -> None:
        """Do `total` of something in four equal parts; the slope is that of the last three."""
        started, marks = time.perf_counter(), [self.resident_mib()]
        for _ in range(4):
            each(total // 4)
            marks.append(self.resident_mib())
        slope = (marks[-1] - marks[1]) * 2**20 / (total * 3 / 4)
        rate = total / (time.perf_counter() - started)
        passed = " ".join(f"{mark:.1f}" for mark in marks)
        print(f"{title}: {total} at {rate:,.0f}/s; resident MiB {passed}; ", end="")
        print(f"{slope:+.1f} bytes a {unit} in the last three quarters")


def absent_subscriber(bench: Bench, messages: int) -> None:
    """A reader that wanted a lasting session (clean session false, QoS 1) subscribes and goes."""
    wish = ("-V", "mqttv311", "-c", "-i", "panel", "-q", "1", "-t", "underlid/bin/#", "-E", *PANEL)
    assert bench.mosquitto("sub", *wish) == 0
    bench.grow(
        "absent lasting subscriber",
        messages,
        lambda count: bench.publish(count, "underlid/bin/alder/state", "-i", "notify", *SERVICE),
        "message",
    )


def absent_intake(bench: Bench, messages: int) -> None:
    """Publishers go on while the intake is away, until they are refused; then it comes and takes all."""
    before = bench.resident_mib()
    bench.publish(messages, "underlid/probe/alder-1", "-V", "5")
    full, refused = bench.resident_mib(), bench.counts().get("refused", 0)
    kept = messages - refused
    every = ("-i", "underlid-intake", "-c", "-q", "1", "-t", "underlid/probe/#", "-C", str(kept), *SERVICE)
    assert bench.mosquitto("sub", "-V", "mqttv311", *every) == 0
    per_message = (full - before) * 2**20 / kept
    print(f"absent intake: {messages} published, {refused} refused, {kept} kept and then taken; ", end="")
    print(f"resident MiB {before:.1f}, full {full:.1f}, emptied {bench.resident_mib():.1f}; ", end="")
    print(f"{per_message:.0f} bytes a message kept")


def reconnects(bench: Bench, total: int) -> None:
    """Probes that wake, publish once and go without a goodbye every other time."""
    name = b"\0\4MQTT\4\0\0\x3c\0\5probe"  # clean session false
    hello = bytes([0x10, len(name)]) + name
    topic = b"\0\x16underlid/probe/alder-1"
    message = bytes([0x32, len(topic) + 3]) + topic + b"\0\1" + b"1"

    def visits(count: int) -> None:
        for number in range(count):
            with socket.create_connection((HOST, bench.port)) as probe:
                probe.sendall(hello + message)
                probe.recv(8, socket.MSG_WAITALL)  # CONNACK and PUBACK
                if number % 2:
                    probe.sendall(b"\xe0\0")
        time.sleep(2.0)  # the router clears up once a second

    with bench.intake():
        bench.grow("reconnects", total, visits, "visit")


def retained_flood(bench: Bench, total: int) -> None:
    """One client retains on ever new topics."""
    number = 0

    def flood(count: int) -> None:
        nonlocal number
        packets = bytearray(b"\x10\x0f\0\4MQTT\4\2\0\0\0\3rrr")
        for _ in range(count):
            number += 1
            topic = b"underlid/probe/p%07d/status" % number
            body = bytes([0, len(topic)]) + topic + PAYLOAD * 8
            packets += bytes([0x31, len(body) % 128 | 0x80, len(body) // 128]) + body
        with socket.create_connection((HOST, bench.port)) as client:
            client.sendall(packets + b"\xc0\0")  # the PINGRESP says that all were read
            client.recv(6, socket.MSG_WAITALL)
        time.sleep(2.0)

    with bench.intake():
        bench.grow("retained flood", total, flood, "message")
    print(f"  not retained: {bench.counts().get('not retained', 0)} of {total}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=200_000)
    parser.add_argument("--intake-messages", type=int, default=110_000)
    parser.add_argument("--reconnects", type=int, default=2_000)
    parser.add_argument("--retained", type=int, default=20_000)
    chosen = parser.parse_args()
    for measure, amount in (
        (absent_subscriber, chosen.messages),
        (absent_intake, chosen.intake_messages),
        (reconnects, chosen.reconnects),
        (retained_flood, chosen.retained),
    ):
        bench = Bench()
        try:
            measure(bench, amount)
        finally:
            bench.stop()


if __name__ == "__main__":
    main()
