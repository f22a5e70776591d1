"""Raw bytes at the service's open ports: `python tests/bench/fuzz_raw.py [SEQUENCES] [HTTP_SEQUENCES] [SEED]`.

100,000 sequences at the embedded broker's port and 20,000 at the screens', each on a connection of its own: noise,
packets and requests that were cut, doubled, or had bytes changed, and ones that claim lengths they do not have. A good
client is served in between. Printed: how often the other side closed, memory at the start and at the end, open files.
"""

import asyncio
import random
import socket
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import httpx
import paho.mqtt.publish as publish
import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))
from conftest import Service, started

AT_ONCE = 40
PACKETS = (
    bytes.fromhex("101000044d5154540402003c00046c6f6164"),  # CONNECT 3.1.1, client id "load"
    bytes.fromhex("101100044d5154540502003c0000046c6f6164"),  # CONNECT 5
    bytes.fromhex("300f0009756e6465726c69642f782121"),  # PUBLISH at QoS 0
    bytes.fromhex("32110009756e6465726c69642f7800012121"),  # PUBLISH at QoS 1
    bytes.fromhex("8206000100012300"),  # SUBSCRIBE to "#"
    bytes.fromhex("c000"),
    bytes.fromhex("e000"),
)
REQUESTS = (
    b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET /api/v1/farm?x=%ff%00 HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: underlid=x; underlid=y\r\n\r\n",
    b"POST /api/v1/session HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 27\r\n\r\n"
    b'{"name":"a","password":"b"}',
    b'POST /api/v1/places HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n5\r\n{"id"\r\n0\r\n\r\n',
    b"PUT /api/v1/session/password HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer \xff\xfe\r\n\r\n",
)


def sequence(chance: random.Random, good: tuple[bytes, ...]) -> bytes:
    """A few good ones in a row, spoiled; or noise."""
    if chance.random() < 0.15:
        return chance.randbytes(chance.randint(1, 600))
    said = bytearray(b"".join(chance.choice(good) for _ in range(chance.randint(1, 4))))
    for _ in range(chance.choice((0, 1, 1, 2, 5, 20))):
        at = chance.randrange(len(said))
        match chance.randrange(5):
            case 0:
                said[at] = chance.randrange(256)
            case 1:
                del said[at : at + chance.randint(1, 12)]
            case 2:
                said[at:at] = chance.randbytes(chance.randint(1, 12))
            case 3:
                said[at:at] = b"\xff\xff\xff\x7f"  # the longest remaining length
            case _:
                said += said[: at + 1]
        if not said:
            return b"\0"
    return bytes(said[: chance.randint(1, len(said))] if chance.random() < 0.3 else said)


async def throw(port: int, count: int, seed: int, good: tuple[bytes, ...]) -> Counter[str]:
    became: Counter[str] = Counter()
    numbers = iter(range(count))

    async def work(worker: int) -> None:
        chance = random.Random(seed * 1000 + worker)
        for number in numbers:
            # Another loopback address each time, as closed connections keep their ports for a minute.
            local = f"127.{1 + worker}.{number // 200 % 250}.{1 + number % 200}"
            try:
                reader, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=(local, 0))
            except OSError as error:
                became[f"no connection: {error.strerror}"] += 1
                continue
            try:
                writer.write(sequence(chance, good))
                if chance.random() < 0.5:
                    writer.write_eof()
                await asyncio.wait_for(reader.read(65536), 0.05)
                became["answered or closed"] += 1
            except TimeoutError:
                became["left waiting"] += 1
            except OSError:
                became["reset"] += 1
            finally:
                raw = writer.get_extra_info("socket")
                raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
                writer.close()

    await asyncio.gather(*(work(worker) for worker in range(AT_ONCE)))
    return became


def attack(service: Service, what: str, port: int, count: int, seed: int, good: tuple[bytes, ...]) -> bool:
    assert service.process is not None
    process = psutil.Process(service.process.pid)
    became = asyncio.run(throw(port, count // 5, seed, good))  # to be warm
    time.sleep(1)
    start_mb, start_files, began = process.memory_info().rss / 1e6, process.num_fds(), time.perf_counter()
    for part in range(4):
        became += asyncio.run(throw(port, count // 5, seed + 1 + part, good))
        serves(service)
    seconds = time.perf_counter() - began
    time.sleep(2)
    end_mb, end_files = process.memory_info().rss / 1e6, process.num_fds()
    print(
        f"{what:<8} {became.total():>7} sequences, {count * 0.8 / seconds:.0f} a second   {dict(became)}\n"
        f"         memory {start_mb:.1f} -> {end_mb:.1f} MB, open files {start_files} -> {end_files}",
        flush=True,
    )
    return end_mb - start_mb < 20 and end_files - start_files < 10


def serves(service: Service) -> None:
    """A good client is served; fails otherwise."""
    publish.single("underlid/probe/alder-1", '{"temp": 20}', 1, hostname="127.0.0.1", port=service.mqtt_port)
    assert httpx.get(f"{service.url}/healthz", timeout=20).status_code == 200


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    http_count = int(sys.argv[2]) if len(sys.argv) > 2 else 20_000
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    with tempfile.TemporaryDirectory() as folder, started(Service(Path(folder) / "data")) as service:
        good = attack(service, "broker", service.mqtt_port, count, seed, PACKETS)
        good &= attack(service, "screens", service.http_port, http_count, seed, REQUESTS)
        faults = service.log.count("Traceback")
        print(f"tracebacks in the log: {faults}")
        if faults:
            print(service.log[-4000:])
    sys.exit(0 if good and not faults else 1)


if __name__ == "__main__":
    main()
