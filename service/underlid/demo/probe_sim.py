"""One fake probe for wiring tests: `underlid probe-sim`. It says plausible things until told to stop."""

import math
import random
import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import orjson
import paho.mqtt.client as mqtt

from underlid.demo.player import broker_address, connect
from underlid.demo.probes import device_urn
from underlid.mapping import PROBE_ID

_ACK_TIMEOUT_S = 10.0


class NotAcknowledgedError(Exception):
    """The broker could not be reached or did not acknowledge: one line that says what to look at."""


def plausible(after_s: float, rng: random.Random) -> tuple[float, float]:
    """Temperature (Cel) and moisture (% wet basis) of a calm bin some seconds after the start."""
    temp_c = 21.0 + 1.2 * math.sin(after_s / 600.0) + rng.gauss(0.0, 0.05)
    moist_pct_wb = 74.0 - 0.0002 * after_s + 0.6 * math.sin(after_s / 900.0) + rng.gauss(0.0, 0.2)
    return round(temp_c * 16.0) / 16.0, round(max(min(moist_pct_wb, 90.0), 40.0), 1)


def simulate_probe(
    probe_id: str,
    every_s: float,
    broker_url: str,
    user: str | None = None,
    password: str | None = None,
    count: int | None = None,
    say: Callable[[str], None] = print,
    stop: threading.Event | None = None,
) -> int:
    """Publish temp and moist of a probe every `every_s` seconds, `count` times or until SIGINT or SIGTERM;
    gives how many were acknowledged.

    Call it on the main thread for the signals to be heard; elsewhere set `stop`. The probe has no clock:
    packs carry no time. Raises ValueError for a bad URL or interval, NotAcknowledgedError when the broker
    does not take a pack in 10 s.
    """
    if not PROBE_ID.fullmatch(probe_id):
        raise ValueError(f"a probe's id holds A-Z a-z 0-9 . _ - only, got {probe_id!r}")
    if not every_s > 0.0:
        raise ValueError(f"every must be positive seconds, got {every_s:g}")
    address = broker_address(broker_url, user, password)
    stop = stop or threading.Event()
    rng = random.Random(probe_id)
    done = 0
    say(f"{probe_id} speaks to the broker at {address.host}:{address.port}; Ctrl-C ends it")
    heard = _listen(stop)
    client = connect(address, probe_id)
    started = time.monotonic()
    try:
        while not stop.is_set() and (count is None or done < count):
            temp_c, moist_pct_wb = plausible(time.monotonic() - started, rng)
            pack = orjson.dumps(
                [
                    {"bn": device_urn(probe_id), "n": "temp", "u": "Cel", "v": temp_c},
                    {"n": "moist", "u": "%", "v": moist_pct_wb},
                ]
            )
            if not _acknowledged(client, f"underlid/probe/{probe_id}", pack, stop):
                if stop.is_set():
                    break
                if done:  # it has worked before: the broker is away, and a probe would go on trying
                    say(f"{address.host}:{address.port} does not answer; trying on")
                    continue
                where = f"{address.host}:{address.port}"
                raise NotAcknowledgedError(
                    f"The broker at {where} did not acknowledge within {_ACK_TIMEOUT_S:g} s: "
                    "check that it runs, that the address is right, and user and password"
                )
            done += 1
            say(f"{done}: {probe_id} temp {temp_c:.2f} °C, moist {moist_pct_wb:.1f} %")
            if count is None or done < count:
                stop.wait(every_s)
    finally:
        if client.is_connected():
            farewell = client.publish(f"underlid/probe/{probe_id}/status", b"offline", qos=1, retain=True)
            with suppress(RuntimeError):
                farewell.wait_for_publish(timeout=1.0)
        client.disconnect()
        client.loop_stop()
        for number, before in heard.items():
            signal.signal(number, before)
    return done


def _acknowledged(client: mqtt.Client, topic: str, pack: bytes, stop: threading.Event) -> bool:
    """Publish once connected, and wait for the broker to say it has it."""
    deadline = time.monotonic() + _ACK_TIMEOUT_S
    while not client.is_connected():
        if time.monotonic() > deadline or stop.wait(0.02):
            return False
    message = client.publish(topic, pack, qos=1)
    try:
        message.wait_for_publish(timeout=max(deadline - time.monotonic(), 0.0))
        return message.is_published()
    except (RuntimeError, ValueError):  # the connection broke, or too much is waiting already
        return False


def _listen(stop: threading.Event) -> dict[signal.Signals, Any]:
    if threading.current_thread() is not threading.main_thread():
        return {}
    numbers = (signal.SIGINT, signal.SIGTERM)
    return {number: signal.signal(number, lambda *_: stop.set()) for number in numbers}
