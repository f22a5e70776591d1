"""Workers that are killed again and again: `python tests/bench/workers.py [SECONDS] [EVERY]`.

Four intake workers and two for the rules stand on one Mosquitto and one PostgreSQL under a steady load. Every so many
seconds one of each is killed with SIGKILL and another started in its place. Printed: readings sent and stored, how
long the takings over took (from the kill until another has every session and every share of the rules), alarms
and how often each was raised.
"""

import json
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.store import servers

from conftest import Mosquitto, Service, wait_for
from underlid.store.leases import LAST_MS

PROBES, A_SECOND = 20, 20
SESSIONS, SHARDS = 4, 64
START_S = 1_760_000_000


class Load:
    """Messages of two readings at a steady pace, all different."""

    def __init__(self, port: int) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="load", clean_session=False)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self.sent = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(1 / A_SECOND):
            pack = [
                {"bt": START_S + self.sent, "n": "temp", "u": "Cel", "v": 20},
                {"n": "rh", "u": "%RH", "v": 81},
            ]
            topic = f"underlid/probe/load-{self.sent % PROBES}"
            self.client.publish(topic, json.dumps(pack), qos=1).wait_for_publish(60)
            self.sent += 1

    def dry(self, probe: int) -> None:
        """A bed that has been too dry for longer than the on-delay."""
        now = time.time()
        pack = [{"n": "moist", "u": "%", "v": 55, "bt": now - 600 * step} for step in range(6)]
        self.client.publish(f"underlid/probe/bed-{probe}", json.dumps(pack), qos=1).wait_for_publish(60)

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self.client.disconnect()
        self.client.loop_stop()


def main() -> None:
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    every = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    with tempfile.TemporaryDirectory() as name, servers.postgres() as postgres, ExitStack() as stack:
        folder = Path(name)
        broker = Mosquitto(folder)
        broker.start()
        load = Load(broker.port)
        made: list[Service] = []
        stack.callback(broker.stop)
        stack.callback(lambda: [service.kill() for service in made if service.process is not None])

        def worker(parts: str) -> Service:
            url = postgres.url()
            options = ["--mqtt", broker.url, "--catalogue", url, "--readings", url, "--parts", parts]
            service = Service(folder / f"worker-{len(made)}", options)
            made.append(service)
            service.start(wait=False)
            return service

        def orphans() -> int:
            """Sessions and shares of the rules whose worker is gone, and which no other has taken yet."""
            now = "extract(epoch FROM clock_timestamp()) * 1000"
            # One that was given back (0) is on its way from a living worker to another.
            return int(postgres.sql(f"SELECT count(*) FROM lease WHERE until_ms > 0 AND until_ms < {now}"))

        first = worker("intake")
        wait_for(lambda: first.log.count("broker connected") == SESSIONS, "the sessions", 120)
        intakes, rules = (
            [first, *(worker("intake") for _ in range(3))],
            [worker("rules,notify"), worker("rules,notify")],
        )
        web = worker("web,rules")
        wait_for(lambda: "web" in web.options[-1] and _answers(web), "the screens", 120)
        for probe in range(PROBES):
            load.dry(probe)
        wait_for(lambda: len(web.items("/probes")) == PROBES, "the beds' probes", 120)
        web.api("POST", "/places", id="shed", name="Shed")
        time.sleep(8)
        load.start()
        began, taken, alarmed = time.monotonic(), [], 0
        while time.monotonic() - began < seconds:
            for crew, parts in ((intakes, "intake"), (rules, "rules,notify")):
                crew.pop(0).kill()
                crew.append(worker(parts))
            killed = time.monotonic()
            if alarmed < PROBES:
                subject = {"kind": "bin", "id": f"b{alarmed}"}
                web.api("POST", "/bins", id=f"b{alarmed}", name=f"Bin {alarmed}", place_id="shed")
                web.api("POST", f"/probes/bed-{alarmed}/placement", subject=subject, position="top")
                load.dry(alarmed)
                alarmed += 1
            time.sleep(LAST_MS / 1000)  # before that, their leases have not run out
            wait_for(lambda: orphans() == 0, "the taking over", 60)
            taken.append(time.monotonic() - killed)
            print(f"  {time.monotonic() - began:4.0f} s: taken over within {taken[-1]:.1f} s", flush=True)
            time.sleep(max(0.0, every - (time.monotonic() - killed)))
        load.stop()
        stored = (
            "SELECT count(*) FROM reading JOIN channel ON channel.id = reading.channel"
            " WHERE probe_id LIKE 'load-%'"
        )
        wait_for(lambda: int(postgres.sql(stored)) >= 2 * load.sent, "every reading", 120)
        raised = (
            "FROM transition JOIN alarm ON alarm.id = alarm_id WHERE rule = 'top-drying' AND cause = 'raised'"
        )
        wait_for(lambda: int(postgres.sql(f"SELECT count(*) {raised}")) >= alarmed, "every alarm", 120)
        times = postgres.sql(f"SELECT count(*), count(DISTINCT subject_id) {raised}")
        print(f"{2 * load.sent} readings sent, {postgres.sql(stored)} stored; {len(taken)} of each killed")
        print(f"{alarmed} beds too dry; raised|beds: {times}")
        print(
            f"taken over within: median {sorted(taken)[len(taken) // 2]:.1f} s, most {max(taken):.1f} s, limit 10 s"
        )


def _answers(service: Service) -> bool:
    try:
        service.items("/bins")
    except Exception:
        return False
    return True


if __name__ == "__main__":
    main()
