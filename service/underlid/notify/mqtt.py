"""Retained states and alarms on MQTT for other automations."""

import os
import threading
from collections.abc import Callable, Iterable

import structlog
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from underlid.address import BrokerAddress
from underlid.model import Message
from underlid.notify.targets import SendError
from underlid.store.readings import StoreError

log = structlog.get_logger("underlid.notify")

TIMEOUT_S = 10.0


class Publisher:
    """A client that only publishes: states as they come, the newest of each topic again on every connect.

    So a broker that forgets what it retained, as the embedded one does when it restarts, is told anew.
    """

    def __init__(
        self,
        address: BrokerAddress,
        client_id: str,
        said_before: Callable[[], Iterable[Message]] = lambda: (),
    ) -> None:
        """`said_before` gives the last message of each topic, be it of another process or before this start."""
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        self._client.suppress_exceptions = True
        self._client.reconnect_delay_set(1, 60)
        if address.user is not None:
            self._client.username_pw_set(address.user, address.password)
        if address.tls:
            self._client.tls_set(ca_certs=os.fspath(address.ca) if address.ca else None)
        self._address = address
        self._said_before = said_before
        self._states: dict[str, bytes] = {}
        self._sent: dict[str, int] = {}  # by topic, the id of the last message that this process sent
        self._lock = threading.Lock()
        self._client.on_connect = lambda *_: self._send_all()

    def start(self) -> None:
        self._client.connect_async(self._address.host, self._address.port)
        self._client.loop_start()

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def publish_state(self, topic: str, payload: bytes) -> None:
        """Put a retained state where it differs from the last one; without a connection it waits for one."""
        with self._lock:
            if self._states.get(topic) == payload:
                return
            self._states[topic] = payload
            if self._client.is_connected():
                self._client.publish(topic, payload, qos=1, retain=True)

    def send(self, message: Message) -> None:
        """Publish a message of the outbox retained, and wait until the broker has it. Raises SendError."""
        if not self._client.is_connected():
            raise SendError("no connection to the broker")
        with self._lock:  # nothing older of this topic may follow it
            self._states[message.topic] = message.body.encode()
            self._sent[message.topic] = message.id
            sent = self._client.publish(message.topic, message.body, qos=1, retain=True)
        try:
            sent.wait_for_publish(TIMEOUT_S)
        except (RuntimeError, ValueError) as error:
            raise SendError(str(error)) from error
        if not sent.is_published():
            raise SendError(f"the broker did not take it within {TIMEOUT_S:.0f} s")

    def _send_all(self) -> None:
        try:
            before = list(self._said_before())
        except StoreError as error:
            log.error("what was said before is not said again", error=str(error))
            before = []
        with self._lock:
            for message in before:
                if message.id >= self._sent.get(message.topic, 0):
                    self._states[message.topic] = message.body.encode()
            for topic, payload in self._states.items():
                self._client.publish(topic, payload, qos=1, retain=True)
