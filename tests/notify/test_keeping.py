"""What is kept of messages: for weeks what was settled, for good what tells how things stand."""

import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conftest import Mosquitto, wait_for
from underlid.address import BrokerAddress
from underlid.model import Farm, Message
from underlid.notify.compose import MQTT
from underlid.notify.mqtt import Publisher
from underlid.notify.post import KEPT_MS, Post
from underlid.store import catalogue, notices, outbox
from underlid.store.ledger import Ledger

from .test_delivery import START_MS, take, target

TOPIC = "underlid/bin/alder/alarm/too-cold"


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    opened = Ledger(f"sqlite:///{tmp_path}/ledger.db")
    with opened.writing() as connection:
        catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
    yield opened
    opened.close()


def test_what_was_settled_weeks_ago_is_taken_out_but_for_how_things_stand(ledger: Ledger) -> None:
    people = [target("Keeper", "json://127.0.0.1:9/")]
    now = [START_MS]
    post = Post(ledger, people, lambda: now[0])
    for _ in range(3):  # raised and over, three times
        for cause in ("raised", "returned"):
            take(ledger, post, 1, cause, now[0])
            now[0] += 3_600_000
            post.gather()
            with ledger.writing() as connection:
                for message in [m for some in outbox.due(connection, now[0]).values() for m in some]:
                    outbox.delivered(connection, message.id, now[0])
    take(ledger, post, 2, "raised", now[0])  # waits to be sent
    with ledger.reading() as connection:
        before = outbox.last_said(connection, MQTT)
        told = notices.latest(connection, "Keeper", [1], told_only=True)
    now[0] += KEPT_MS + 8 * 3_600_000
    post.tidy()
    with ledger.reading() as connection:
        assert outbox.last_said(connection, MQTT) == before
        assert notices.latest(connection, "Keeper", [1], told_only=True) == told
        waiting = outbox.due(connection, now[0])
        assert [message.topic for message in waiting[MQTT]] != []
        left = connection.exec_driver_sql("SELECT count(*) FROM outbox").scalar_one()
        assert left == len(before) + 1 + 1  # the newest of each topic, the newest to the keeper, what waits
        assert connection.exec_driver_sql("SELECT count(*) FROM notice").scalar_one() == 2


def test_a_broker_that_forgot_is_told_the_alarms_again(mosquitto: Mosquitto) -> None:
    before = [Message("k1", MQTT, "", '{"state": "acknowledged"}', START_MS, 1, topic=TOPIC)]
    publisher = Publisher(BrokerAddress.from_url(mosquitto.url, None), "states", lambda: before)
    publisher.start()
    try:
        wait_for(lambda: retained(mosquitto) == b'{"state": "acknowledged"}', "the state of before the start")
        publisher.send(Message("k2", MQTT, "", '{"state": "normal"}', START_MS, 2, topic=TOPIC))
        mosquitto.stop(kill=True)
        for kept in mosquitto.folder.glob("*.db"):
            kept.unlink()
        mosquitto.start()
        wait_for(
            lambda: retained(mosquitto) == b'{"state": "normal"}', "the state of before the broker's end"
        )
        # Another process has said more since.
        before.append(Message("k3", MQTT, "", '{"state": "unacknowledged"}', START_MS, 3, topic=TOPIC))
        mosquitto.stop(kill=True)
        mosquitto.start()
        wait_for(lambda: retained(mosquitto) == b'{"state": "unacknowledged"}', "the state of the other one")
    finally:
        publisher.stop()


def retained(mosquitto: Mosquitto) -> bytes | None:
    """What a newcomer is told of the topic."""
    heard: list[bytes] = []
    there = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)

    def on_message(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        heard.append(message.payload)
        there.set()

    client.on_message = on_message
    client.on_connect = lambda *_: client.subscribe(TOPIC, 1)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    there.wait(2.0)
    client.disconnect()
    client.loop_stop()
    return heard[-1] if heard else None
