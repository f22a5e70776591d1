"""How long the main path takes: `python tests/bench/main_path.py`.

Starts `underlid serve` against a Mosquitto of its own with 40 probes of two channels, and prints: from start
to the first page; from publish to the alarm in the outbox once the on-delay has passed (it has when the readings
arrive, by the times they carry); resident memory. Each beside its limit.
"""

import os
import sqlite3
import statistics
import sys
import tempfile
import time
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
import psutil
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[1]))
from conftest import Mosquitto, Service, wait_for

PROBES = 40
CROSSINGS = 40


def start_to_page(folder: Path, broker: str) -> tuple[Service, float]:
    service = Service(folder / "data", ["--mqtt", broker])
    began = time.perf_counter()
    service.start(wait=False)
    while True:
        try:
            if httpx.get(service.url, timeout=5).is_success:
                return service, time.perf_counter() - began
        except httpx.TransportError:
            time.sleep(0.01)


def outbox_keys(service: Service) -> set[str]:
    with sqlite3.connect(f"file:{service.data_dir}/catalogue.db?mode=ro", uri=True) as connection:
        return {row[0] for row in connection.execute("SELECT key FROM outbox")}


def pack(values: dict[int, float]) -> str:
    """Moisture at seconds before now."""
    records = [f'{{"n":"moist","u":"%","v":{value},"t":{-ago}}}' for ago, value in sorted(values.items())]
    return "[" + ",".join([*records, '{"n":"temp","u":"Cel","v":20}']) + "]"


def publish_to_outbox(service: Service, port: int) -> list[float]:
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    week = range(7 * 144, 0, -1)  # every ten minutes of a week, so that the rules have their full window
    for number in range(PROBES):
        past = {600 * ago: 74.0 for ago in week if 600 * ago > 3600}
        client.publish(f"underlid/probe/p{number}", pack(past), qos=1).wait_for_publish(30)
    wait_for(lambda: len(service.items("/probes")) == PROBES, "the probes")
    service.api("POST", "/places", id="shed", name="Shed")
    for number in range(PROBES):
        service.api("POST", "/bins", id=f"b{number}", name=f"Bin {number}", place_id="shed")
        service.api(
            "POST",
            f"/probes/p{number}/placement",
            subject={"kind": "bin", "id": f"b{number}"},
            position="top",
        )
    time.sleep(3)
    took = []
    for number in range(CROSSINGS):
        dry = {3000 - 600 * step: 60.0 for step in range(6)}  # below the limit for longer than the on-delay
        began = time.perf_counter()
        client.publish(f"underlid/probe/p{number}", pack(dry), qos=1)
        wait_for(lambda n=number: any(f"bin/b{n}/" in key for key in outbox_keys(service)), "the alarm", 30)
        took.append(time.perf_counter() - began)
        time.sleep(0.1)
    client.disconnect()
    client.loop_stop()
    return took


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder)
        broker.start()
        service, to_page = start_to_page(folder, broker.url)
        took = publish_to_outbox(service, broker.port)
        assert service.process is not None
        memory_mb = psutil.Process(service.process.pid).memory_info().rss / 1e6
        centile_95 = statistics.quantiles(took, n=20)[-1]
        print(f"cores {os.cpu_count()}, load {os.getloadavg()[0]:.1f}")
        print(f"start to first page          {to_page:6.2f} s   limit   3 s   ratio {to_page / 3:.2f}")
        print(f"publish to outbox, median    {statistics.median(took):6.2f} s")
        print(f"publish to outbox, 95 %      {centile_95:6.2f} s   limit   2 s   ratio {centile_95 / 2:.2f}")
        print(f"resident memory  {memory_mb:6.0f} MB  limit 180 MB  ratio {memory_mb / 180:.2f}")
        service.stop()
        broker.stop()


if __name__ == "__main__":
    main()
