"""How fast the intake is, and whether its memory stays flat: `python tests/bench/intake.py [MESSAGES] [FLOOD]`.

Messages of two readings are queued at a Mosquitto at QoS 1 for two sessions: a bare paho subscriber that throws
everything away, and `underlid serve`, which stores them durably. Each drains its own, in turn, three times; printed are
the rates and their ratio. With FLOOD (5000000, say) that many more are published while the service runs, by
`mosquitto_pub`, and its memory is printed after every tenth.
"""

import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import psutil
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

sys.path.insert(0, str(Path(__file__).parents[1]))
from conftest import Mosquitto, Service, count_readings, wait_for

PROBES = 40
START_S = int(time.time()) - 150_000  # recent, as what probes say mostly is
FLOOD_S = 1_400_000_000

BARE = """
import sys, time
import paho.mqtt.client as mqtt
port, wanted = int(sys.argv[1]), int(sys.argv[2])
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="bare", clean_session=False)
seen, began = 0, 0.0
def on_message(_client, _data, _message):
    global seen, began
    began = began or time.perf_counter()
    seen += 1
    if seen == wanted:
        print(time.perf_counter() - began, flush=True)
        client.disconnect()
client.on_message = on_message
client.on_connect = lambda client, *_: client.subscribe("underlid/probe/#", 1)
client.connect("127.0.0.1", port)
client.loop_forever()
"""


def fill(port: int, messages: int, first: int) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="load", protocol=MQTTProtocolVersion.MQTTv311)
    client.max_inflight_messages_set(2000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for number in range(first, first + messages):
        payload = (
            f'[{{"bn":"urn:dev:mac:0024befffe80{number % PROBES:04x}:","bt":{START_S + number},"n":"temp",'
            f'"u":"Cel","v":21.5}},{{"n":"moist","u":"%","v":71}}]'
        )
        sent = client.publish(f"underlid/probe/p{number % PROBES}", payload, qos=1)
        if (number - first) % 20_000 == 19_999 or number == first + messages - 1:
            sent.wait_for_publish(600)  # the library has 65,535 identifiers for what is under way
    client.disconnect()
    client.loop_stop()


def stored(service: Service) -> int:
    return count_readings(service.data_dir / "readings.db")


def drain_bare(port: int, messages: int) -> float:
    done = subprocess.run(
        [sys.executable, "-c", BARE, str(port), str(messages)], capture_output=True, text=True, check=True
    )
    return messages / float(done.stdout)


def drain_service(service: Service, messages: int, before: int) -> tuple[float, float]:
    """Messages a second, from the first stored to the last, and the memory it took (MB)."""
    service.start(wait=False)
    wait_for(lambda: stored(service) > before, "the first reading", 120)
    began, first = time.perf_counter(), stored(service)
    while (now := stored(service)) < before + 2 * messages:
        time.sleep(0.1)  # counting costs processor time that the two under test share
    took = time.perf_counter() - began
    assert service.process is not None
    memory_mb = psutil.Process(service.process.pid).memory_info().rss / 1e6
    service.stop()
    return (now - first) / 2 / took, memory_mb


def flood(broker: Mosquitto, service: Service, messages: int) -> None:
    """Publish as fast as the broker takes it; the service's memory, and how its last half differs from its first."""
    service.start(wait=False)
    wait_for(lambda: service.log.count("broker connected") > 0, "the service", 60)
    assert service.process is not None
    process = psutil.Process(service.process.pid)
    command = [
        "mosquitto_pub",
        "-V",
        "5",
        "-q",
        "1",
        "-p",
        str(broker.port),
        "-t",
        "underlid/probe/flood",
        "-l",
    ]
    sender = subprocess.Popen(command, stdin=subprocess.PIPE, text=True)
    assert sender.stdin is not None
    before, tenth, memory = stored(service), max(1, messages // 10), []
    began = time.perf_counter()
    for number in range(messages):
        at_s = FLOOD_S + number / 10
        sender.stdin.write(
            f'[{{"bt":{at_s},"n":"temp","u":"Cel","v":21.5}},{{"n":"moist","u":"%","v":71}}]\n'
        )
        if number % tenth == tenth - 1:
            wait_for(lambda n=number: stored_about(service) >= 2 * n - 200_000, "the flood", 600)
            memory.append(process.memory_info().rss / 1e6)
            print(f"  {number + 1:>9} messages  {memory[-1]:.0f} MB", flush=True)
    sender.stdin.close()
    sender.wait(600)
    wait_for(lambda: stored(service) == before + 2 * messages, "every reading", 600)
    half = len(memory) // 2
    grown = sum(memory[half:]) / len(memory[half:]) - sum(memory[1:half]) / max(1, len(memory[1:half]))
    print(
        f"flood {messages / (time.perf_counter() - began):.0f}/s, memory grew by {grown:+.1f} MB from half to half"
    )
    service.stop()


KNOWN = "(SELECT max(channel) AS id FROM reading UNION ALL SELECT max(channel) FROM block)"


def stored_about(service: Service) -> int:
    """As `stored`, without counting the rows: readings of the flood lie a tenth of a second apart."""
    with sqlite3.connect(f"file:{service.data_dir}/readings.db?mode=ro", uri=True) as connection:
        newest = connection.execute(
            "SELECT max(newest) FROM (SELECT max(time_ms) AS newest FROM reading"
            " WHERE channel = (SELECT max(id) FROM known) UNION ALL SELECT max(last_ms) FROM block"
            " WHERE channel = (SELECT max(id) FROM known))".replace("known", KNOWN)
        ).fetchone()[0]
    return max(0, 2 * round(newest / 100 - 10 * FLOOD_S)) if newest else 0


def main() -> None:
    messages = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as name:
        broker = Mosquitto(Path(name))
        broker.start()
        service = Service(Path(name) / "data", ["--mqtt", broker.url, "--parts", "intake"])
        service.start(wait=False)
        bare = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare", clean_session=False)
        bare.on_connect = lambda client, *_: client.subscribe("underlid/probe/#", 1)
        bare.connect("127.0.0.1", broker.port)
        bare.loop_start()
        wait_for(lambda: "broker connected" in service.log, "the service", 120)
        bare.disconnect()
        bare.loop_stop()
        service.stop()
        print(f"cores {os.cpu_count()}, load {os.getloadavg()[0]:.1f}, {messages} messages of two readings")
        bare_s = own_s = 0.0
        for turn in range(3):
            fill(broker.port, messages, turn * messages)
            bare_rate = drain_bare(broker.port, messages)
            rate, memory_mb = drain_service(service, messages, 2 * turn * messages)
            print(
                f"bare paho {bare_rate:8.0f}/s   underlid {rate:8.0f}/s   ratio {rate / bare_rate:.2f}"
                f"   memory {memory_mb:.0f} MB"
            )
            bare_s, own_s = bare_s + 1 / bare_rate, own_s + 1 / rate
        print(f"ratio of all turns {bare_s / own_s:.2f}")
        if len(sys.argv) > 2:
            # The bare subscriber's session goes, or the broker would keep the whole flood for it.
            bare = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare", clean_session=True)
            bare.connect("127.0.0.1", broker.port)
            bare.loop_start()
            wait_for(bare.is_connected, "the end of the bare session")
            bare.disconnect()
            bare.loop_stop()
            flood(broker, service, int(sys.argv[2]))
        broker.stop()


if __name__ == "__main__":
    main()
