"""The whole service on database servers: from a probe's message to the chart's points."""

import time

import paho.mqtt.publish as publish
import pytest

from conftest import MakeService, Mosquitto, wait_for

MESSAGES = 30


@pytest.mark.parametrize("kind", ["influx", "postgres"])
def test_what_a_probe_says_reaches_the_screens(
    kind: str, request: pytest.FixtureRequest, make_service: MakeService, mosquitto: Mosquitto
) -> None:
    url = str(request.getfixturevalue(f"{kind}_url"))
    options = ["--mqtt", mosquitto.url, "--readings", url]
    if kind == "postgres":
        options += ["--catalogue", url]
    service = make_service(*options)
    service.start()
    wait_for(lambda: "broker connected" in service.log, "the session at the broker")
    start_s = int(time.time()) - 3600
    messages = [
        ("underlid/probe/p1", f'{{"temp": {20 + n / 4}, "t": {start_s + 60 * n}}}', 1, False)
        for n in range(MESSAGES)
    ]
    wait_for(
        lambda: service.log.count("broker connected") >= (4 if kind == "postgres" else 1), "all sessions"
    )
    publish.multiple(messages, hostname="127.0.0.1", port=mosquitto.port)
    asked = f"/readings?channel=1&from={time.strftime('%Y-%m-%dT%H:%M:%SZ', time.gmtime(start_s))}&points=5"
    wait_for(lambda: bool(service.items("/probes")), "the probe")
    wait_for(lambda: sum(service.api("GET", asked)["count"]) == MESSAGES, "every reading")  # type: ignore[arg-type]
    found = service.api("GET", asked)
    assert (min(found["low"]), max(found["high"])) == (20, 20 + (MESSAGES - 1) / 4)  # type: ignore[call-overload]
    assert service.stop() == 0
