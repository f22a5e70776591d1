"""A short visit to a broker: does it let us in, and read what we would? Leaves no session behind."""

import contextlib
import ssl
import time
from collections.abc import Sequence
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from underlid.address import BrokerAddress

WITHIN_S = 5.0


class BrokerTrialError(Exception):
    """What the broker did not do, in one line."""


def visit(address: BrokerAddress, topics: Sequence[str]) -> None:
    """Connect, subscribe, and go. Raises BrokerTrialError.

    A broker may take a subscription and hold its messages back all the same, as some do by their access lists.
    In MQTT 3.1.1, which every broker speaks; its session is clean, so the broker keeps nothing for it.
    """
    problems: list[str] = []
    done: list[bool] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, clean_session=True)

    def on_connect(_client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            problems.append(f"it does not let us in: {reason}; check user and password in mqtt")
        elif topics:
            client.subscribe([(topic, 1) for topic in topics])
        else:
            done.append(True)

    def on_subscribe(_client: mqtt.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        for topic, reason in zip(topics, reasons, strict=False):
            if reason.is_failure:
                problems.append(f"it does not let us read {topic}: allow that for the user in mqtt")
        done.append(True)

    client.on_connect = on_connect
    client.on_subscribe = on_subscribe
    if address.user is not None:
        client.username_pw_set(address.user, address.password)
    try:
        if address.tls:
            client.tls_set_context(ssl.create_default_context(cafile=address.ca))
        client.connect_timeout = WITHIN_S
        client.connect(address.host, address.port)
        end_s = time.monotonic() + WITHIN_S
        while not (done or problems):
            state = client.loop(timeout=0.2)
            if state != MQTTErrorCode.MQTT_ERR_SUCCESS and not problems:
                problems.append(f"it closed the connection ({mqtt.error_string(state)})")
            elif time.monotonic() > end_s:
                problems.append(f"it does not answer as a broker does within {WITHIN_S:.0f} s")
    except (OSError, ValueError) as error:
        problems.append(
            f"{getattr(error, 'strerror', None) or error}; is it running, and is the address right?"
        )
    finally:
        with contextlib.suppress(OSError):
            client.disconnect()
            client.loop(timeout=0.1)
    if problems:
        raise BrokerTrialError(problems[0])
