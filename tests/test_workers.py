"""Several processes on one broker and one PostgreSQL: killed at any time, nothing lost, nothing doubled."""

import json
import re
import time
from collections import Counter
from collections.abc import Iterator

import httpx
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from tests.store import servers
from tests.store.conftest import postgres_server, postgres_url

from conftest import MakeService, Mosquitto, Service, wait_for

__all__ = ["postgres_server", "postgres_url"]  # fixtures

START_S = 1_760_000_000
PROBES = 6


class Crew:
    """Workers, each a process with some of the parts, and a sender that stands for the probes."""

    def __init__(self, make: MakeService, broker: Mosquitto, url: str, server: servers.Postgres) -> None:
        self._make = make
        self._options = ["--mqtt", broker.url, "--catalogue", url, "--readings", url]
        self._database, self._server = url.rpartition("/")[2], server
        self._sent = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="probes", clean_session=False)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def worker(self, parts: str) -> Service:
        service = self._make(*self._options, "--parts", parts)
        service.start(wait=False)
        if parts == "web":
            wait_for(lambda: answers(service), "the screens", 90)
        return service

    def send(self, messages: int) -> None:
        """Publish packs of two readings each, all different."""
        for number in range(self._sent, self._sent + messages):
            pack = [
                {"bt": START_S + number, "n": "temp", "u": "Cel", "v": 20 + number % 7},
                {"n": "moist", "u": "%", "v": 71},
            ]
            sent = self._client.publish(f"underlid/probe/p{number % PROBES}", json.dumps(pack), qos=1)
        sent.wait_for_publish(60)
        self._sent += messages

    def sql(self, query: str) -> str:
        return self._server.sql(query, self._database)

    def wait_for_all(self) -> None:
        want = str(2 * self._sent)
        wait_for(lambda: self.sql("SELECT count(*) FROM reading") == want, f"{want} readings", 60)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def crew(
    make_service: MakeService, mosquitto: Mosquitto, postgres_url: str, postgres_server: servers.Postgres
) -> Iterator[Crew]:
    crew = Crew(make_service, mosquitto, postgres_url, postgres_server)
    yield crew
    crew.close()


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_intakes_share_the_messages_and_one_that_is_killed_loses_and_doubles_none(crew: Crew) -> None:
    first = crew.worker("intake")
    wait_for(lambda: first.log.count("broker connected") >= 4, "every session", 90)
    second = crew.worker("intake")
    wait_for(lambda: len(held(first)) == len(held(second)) == 2, "a fair share", 60)
    crew.send(2000)
    first.kill()
    crew.send(2000)
    wait_for(lambda: len(held(second)) == 4, "the taking over", 60)
    crew.send(1000)
    crew.wait_for_all()
    assert crew.sql("SELECT count(*) FROM quarantine") == "0"
    assert crew.sql("SELECT count(*) FROM channel") == str(2 * PROBES)
    assert second.stop() == 0
    crew.send(500)  # nobody is there; the broker keeps them
    crew.worker("intake")
    crew.wait_for_all()


def answers(service: Service) -> bool:
    try:
        return httpx.get(f"{service.url}/api/v1/bins", timeout=5).is_success
    except httpx.TransportError:
        return False


def held(service: Service) -> set[str]:
    """The sessions that a worker holds, by what it logged."""
    numbers: set[str] = set()
    for line in service.log.splitlines():
        found = re.search(r"session (taken|handed on).*?number=(\d+)", re.sub(r"\x1b\[[0-9;]*m", "", line))
        if found:
            (numbers.add if found[1] == "taken" else numbers.discard)(found[2])
    return numbers


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_each_alarm_is_raised_once_by_whoever_is_there(crew: Crew) -> None:
    web = crew.worker("web")
    intake = crew.worker("intake")
    wait_for(lambda: intake.log.count("broker connected") == 4, "every session", 90)
    rules = [crew.worker("rules,notify"), crew.worker("rules,notify")]
    crew.send(PROBES)
    crew.wait_for_all()
    web.api("POST", "/places", id="shed", name="Shed")
    for number in range(PROBES):
        web.api("POST", "/bins", id=f"b{number}", name=f"Bin {number}", place_id="shed")
        subject = {"kind": "bin", "id": f"b{number}"}
        web.api("POST", f"/probes/p{number}/placement", subject=subject, position="top")

    def dry(probes: range) -> None:
        for number in probes:
            pack = [{"n": "moist", "u": "%", "v": 55, "bt": time.time() - 600 * step} for step in range(6)]
            crew._client.publish(f"underlid/probe/p{number}", json.dumps(pack), qos=1).wait_for_publish(30)

    def raised() -> Counter[str]:
        rows = crew.sql(
            "SELECT subject_id FROM transition JOIN alarm ON alarm.id = alarm_id"
            " WHERE rule = 'top-drying' AND cause = 'raised'"
        )
        return Counter(rows.split())

    dry(range(3))
    wait_for(lambda: len(raised()) == 3, "alarms of the first bins", 90)
    rules[0].kill()
    dry(range(3, PROBES))
    wait_for(lambda: len(raised()) == PROBES, "alarms of all bins", 90)
    assert set(raised().values()) == {1}
    # The states stand on MQTT by whoever was elected to send them.
    wait_for(
        lambda: crew.sql("SELECT count(*) FROM outbox WHERE delivered_ms IS NULL") == "0", "the messages", 60
    )
    assert intake.stop() == 0
    assert rules[1].stop() == 0
