"""A day without Wi-Fi, then all of it at once: through MicroPython, Mosquitto and the service into its store."""

import json
import time
from pathlib import Path
from typing import Literal

import pytest

from conftest import MakeService, Mosquitto, Service, readings_in, wait_for
from firmware.conftest import SETTINGS, Board, Interpreter
from firmware.relay import Relay

EVERY_S = 1800
SIXTEENTHS_AT_FIRST = 320  # 20 degrees; each reading is a sixteenth warmer, and so tells which it is
NEAR_S = 2
BUTTON_S = 3  # once power has come, the probe waits so long for somebody who wants its page


def thermometer(micropython: Interpreter, wake: int) -> dict[str, str]:
    register = SIXTEENTHS_AT_FIRST + wake
    body = bytes((register & 0xFF, register >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10))
    return {"280000000000001e": (body + bytes((micropython.call("ds18b20.crc8", body),))).hex()}


def stored(file: Path, channel: int) -> list[tuple[float, float]]:
    """(time in seconds, value) of a channel, in order of time."""
    return [(time_ms / 1000, value) for time_ms, value in readings_in(file, channel)]


def channels_heard(service: Service) -> dict[str, int]:
    """The channels by name; a probe is known by its status before it has said anything."""
    return {
        channel["name"]: channel["id"]
        for probe in service.items("/probes")
        for channel in probe["channels"]  # type: ignore[attr-defined]
    }


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize(
    ("time_server", "rate", "breaks"),
    [(False, 1.0, "half way"), (True, 0.97, "before the acknowledgement")],
    ids=["no clock, cut off half way", "clock 3 % slow, cut off before the acknowledgement"],
)
def test_a_day_without_wifi_lands_at_the_right_times_and_nothing_twice(
    make_service: MakeService,
    mosquitto: Mosquitto,
    micropython: Interpreter,
    board: Board,
    time_server: bool,
    rate: float,
    breaks: Literal["half way", "before the acknowledgement"],
) -> None:
    service = make_service("--mqtt", mosquitto.url, "--parts", "intake,web")
    service.start()
    # While Wi-Fi is away the probe tries at the 1st, 3rd, 7th, 15th wake, then every 8th: 27 hours, and a try.
    wakes = 55
    threads = []
    own = {"interval_s": EVERY_S, "ntp": "192.0.2.1" if time_server else ""}
    board.put("/settings.json", json.dumps({**SETTINGS, **own}).encode())
    if time_server:
        wakes += 1  # before the day, one wake with Wi-Fi and an answer of the time server
        threads.append(Relay(board.far_ends[0], mosquitto.port).start())
    first_s = time.time() - (wakes - 1) * EVERY_S
    taken_s = [first_s + number * EVERY_S for number in range(wakes - 1)]
    for number, at_s in enumerate(taken_s):
        is_online = time_server and number == 0
        wake = board.wake(
            round(at_s * 1000),
            power_came=number == 0,
            wifi=is_online,
            time_server=is_online,
            rate=rate,
            thermometers=thermometer(micropython, number),
        )
        assert wake.failure is None
    assert len(wake.kept()) == 54

    taken_s[0] += BUTTON_S
    ends = board.far_ends[len(threads) :]
    broken = Relay(ends[0], mosquitto.port, breaks_at=2, breaks=breaks)
    whole = Relay(ends[1], mosquitto.port)
    threads += [broken.start(), whole.start()]
    taken_s.append(time.time())
    wake = board.wake(
        round(taken_s[-1] * 1000),
        time_server=time_server,
        live=True,
        rate=rate,
        thermometers=thermometer(micropython, wakes - 1),
    )
    for thread in threads:
        thread.join(20)
    assert wake.failure is None
    assert wake.kept() == []
    assert broken.published
    assert whole.published
    # With half a pack passed on the broker got it once; without an acknowledgement it got the same twice.
    assert (broken.published[-1][-1000:] == whole.published[0][-1000:]) == (breaks != "half way")

    wait_for(lambda: "temp" in channels_heard(service), "the first readings")
    channels = channels_heard(service)
    readings = service.data_dir / "readings.db"
    wait_for(lambda: len(stored(readings, channels["temp"])) >= wakes, "the backlog")
    assert service.stop() == 0
    found = stored(readings, channels["temp"])
    assert [value for _, value in found] == [(SIXTEENTHS_AT_FIRST + number) / 16 for number in range(wakes)]
    assert [at_s for at_s, _ in found] == [pytest.approx(at_s, abs=NEAR_S) for at_s in taken_s]
    assert len(stored(readings, channels["moist"])) == wakes
    assert len(stored(readings, channels["rssi"])) == (2 if time_server else 1)
