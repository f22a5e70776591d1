"""What was acknowledged is on disk, and what was not comes again: `kill -9` under load."""

import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conftest import MakeService, Mosquitto, channels_in, count_readings, readings_in, wait_for

MESSAGES = 10_000  # of two readings each
START_S = 1_760_000_000


def stored(file: Path) -> tuple[int, int]:
    """How many readings there are, and how many different ones."""
    different = sum(len(dict(readings_in(file, channel))) for channel in channels_in(file))
    return count_readings(file), different


def publish(port: int, with_time: bool) -> mqtt.Client:
    """Publish everything at QoS 1 and return while the library still sends."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="load")
    client.max_inflight_messages_set(2000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for number in range(MESSAGES):
        time_field = f'"bt":{START_S + number},' if with_time else ""
        client.publish(
            f"underlid/probe/load-{number % 7}",
            f'[{{{time_field}"n":"temp","u":"Cel","v":{20 + number % 9}}},'
            f'{{"n":"moist","u":"%","v":{60 + number / 1000}}}]',
            qos=1,
        )
    return client


@pytest.mark.parametrize("with_time", [True, False], ids=["dated by the probe", "dated on arrival"])
def test_every_reading_is_stored_exactly_once_after_kill_9(
    make_service: MakeService, mosquitto: Mosquitto, with_time: bool
) -> None:
    service = make_service("--mqtt", mosquitto.url, "--parts", "intake,web")
    service.start()
    client = publish(mosquitto.port, with_time)
    readings = service.data_dir / "readings.db"
    kills = 0
    for share in (0.05, 0.3, 0.6):
        wait_for(lambda share=share: count_readings(readings) > share * 2 * MESSAGES, "readings")
        service.kill()
        kills += count_readings(readings) < 2 * MESSAGES  # a kill after the last reading would prove nothing
        service.start()
    wait_for(lambda: count_readings(readings) >= 2 * MESSAGES, "every reading", 60)
    time.sleep(1)  # anything doubled would come now
    client.disconnect()
    client.loop_stop()
    assert kills >= 1
    assert service.stop() == 0
    assert stored(readings) == (2 * MESSAGES, 2 * MESSAGES)
