"""Hours of a large farm in minutes: `python tests/bench/soak.py [MINUTES] [RATE]` (20, 850 messages a second).

A farm of 1,000 bins with a probe each that speaks every minute gives 17 messages a second; 50 times that is 850. The
service runs whole (embedded broker, rules, screens), a page is open, and every quarter of a minute memory, open files
and threads are read. Printed: what was acknowledged, and the slope of memory in the second half with its 95 per cent
interval (ordinary least squares, scipy); good where that holds zero and files and threads are as many as before.
"""

import sys
import tempfile
import threading
import time
from pathlib import Path

import httpx
import numpy as np
import paho.mqtt.client as mqtt
import psutil
from paho.mqtt.enums import CallbackAPIVersion
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))
from conftest import Service

PROBES, EVERY_S = 1000, 15.0


def load(port: int, rate: float, ends: threading.Event, acknowledged: list[int]) -> None:
    """Publish for all probes in turn, four clients sharing the rate."""

    def taken(*_: object) -> None:
        with counting:
            acknowledged[0] += 1

    counting = threading.Lock()
    clients = []
    for number in range(4):
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"load-{number}")
        client.max_inflight_messages_set(200)
        client.on_publish = taken
        client.connect("127.0.0.1", port)
        client.loop_start()
        clients.append(client)
    sent, began = 0, time.monotonic()
    while not ends.is_set():
        while sent < (time.monotonic() - began) * rate:
            body = f'{{"temp": {20 + sent % 9}, "moist": {70 + sent % 7}}}'
            clients[sent % 4].publish(f"underlid/probe/p{sent % PROBES}", body, qos=1)
            sent += 1
        time.sleep(0.02)
    for client in clients:
        client.disconnect()
        client.loop_stop()


def watch_page(url: str, ends: threading.Event) -> None:
    """An open page: the live stream, read until the end."""
    while not ends.is_set():
        try:
            with httpx.stream("GET", f"{url}/api/v1/live", timeout=30) as stream:
                for _ in stream.iter_raw():
                    if ends.is_set():
                        return
        except httpx.HTTPError:
            time.sleep(1)


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 20
    rate = float(sys.argv[2]) if len(sys.argv) > 2 else 850
    ends, acknowledged = threading.Event(), [0]
    with tempfile.TemporaryDirectory() as folder:
        service = Service(Path(folder) / "data")
        service.start()
        assert service.process is not None
        process = psutil.Process(service.process.pid)
        workers = [
            threading.Thread(target=load, args=(service.mqtt_port, rate, ends, acknowledged), daemon=True),
            threading.Thread(target=watch_page, args=(service.url, ends), daemon=True),
        ]
        for worker in workers:
            worker.start()
        rows = []
        until = time.monotonic() + minutes * 60
        while time.monotonic() < until:
            time.sleep(EVERY_S)
            rows.append(
                (time.monotonic(), process.memory_info().rss / 1e6, process.num_fds(), process.num_threads())
            )
        status = httpx.get(f"{service.url}/healthz", timeout=60).status_code
        ends.set()
        for worker in workers:
            worker.join(30)
        service.stop()
    half = np.array(rows[len(rows) // 2 :])
    fit = stats.linregress((half[:, 0] - half[0, 0]) / 3600, half[:, 1])
    margin = float(stats.t.ppf(0.975, len(half) - 2)) * fit.stderr
    files, threads = half[:, 2], half[:, 3]
    print(
        f"{minutes:g} min at {rate:g} a second, {acknowledged[0] / minutes / 60:.0f} acknowledged; healthz {status}\n"
        f"memory {half[0, 1]:.1f} -> {half[-1, 1]:.1f} MB, slope {fit.slope:+.1f} MB an hour (95 %: "
        f"{fit.slope - margin:+.1f} to {fit.slope + margin:+.1f}); open files {files.min():.0f} to {files.max():.0f}, "
        f"threads {threads.min():.0f} to {threads.max():.0f}"
    )
    good = fit.slope - margin <= 0 and np.ptp(files) <= 8 and np.ptp(threads) <= 8
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
