"""The probe's own main.py on a board of which only the pins and the radio are made up."""

import json

import paho.mqtt.subscribe as subscribe
import pytest

from conftest import Mosquitto
from firmware.conftest import SETTINGS, Board
from firmware.relay import Relay
from firmware.test_setup import FIELDS, request

START_MS = 1_764_000_000_000
EVERY_MS = 900_000


def test_a_wake_reads_keeps_and_sleeps_so_that_wakes_stay_apart_by_the_interval(board: Board) -> None:
    wake = board.wake(START_MS, power_came=True, wifi=False)
    assert wake.failure is None
    assert wake.kept() == [[1, 0, {"temp": 25.0625, "moist": 1650}]]
    wake = board.wake(START_MS + EVERY_MS, wifi=False)
    assert wake.slept_ms is not None
    assert abs(wake.slept_ms + wake.awake_ms - EVERY_MS) <= 1000
    assert wake.pins["25"] == 0  # the moisture probe has its power taken away again
    assert "radio 0 on" not in wake.log  # after a failure the radio rests for a wake


def test_a_sensor_that_can_not_be_trusted_is_left_out_and_counted(board: Board) -> None:
    put(board, sensors=["ds18b20", "moist", "sht3x", "battery"])
    spoilt = {
        "280000000000001e": "91014b467fff0f1025",
        "2800000000000140": "91014b467fff0f1000",  # a wrong check sum
    }
    wake = board.wake(
        START_MS,
        power_came=True,
        wifi=False,
        thermometers=spoilt,
        converter_uv={"34": [2_900_000], "35": [1_950_000]},
    )
    assert wake.kept() == [[1, 0, {"temp": 25.0625, "batt": 3.9, "faults": 3}]]
    said = "\n".join(wake.log)
    assert "temp2: check sum" in said
    assert "moist: 2900 mV is outside" in said
    assert "sht3x: " in said


def test_thermometers_go_by_their_serial_numbers(board: Board) -> None:
    put(board, names={"2800000000000140": "pocket-temp"}, sensors=["ds18b20", "sht3x"])
    two = dict.fromkeys(("2800000000000140", "280000000000001e"), "91014b467fff0f1025")
    wake = board.wake(START_MS, power_came=True, wifi=False, thermometers=two, air="666693666693")
    values = wake.kept()[0][2]
    assert values == {"temp": 25.0625, "pocket-temp": 25.0625, "air-temp": 25.0, "air-rh": 40.0}


def test_a_wire_that_goes_silent_is_a_fault_and_no_crash(board: Board) -> None:
    wake = board.wake(START_MS, power_came=True, wifi=False, wire_cut=True)
    assert wake.kept() == [[1, 0, {"moist": 1650, "faults": 1}]]


def test_a_clock_that_began_anew_is_a_power_cut_though_the_memory_was_kept(board: Board) -> None:
    board.wake(START_MS, power_came=True, wifi=False)
    board.wake(START_MS + EVERY_MS, wifi=False)
    wake = board.wake(START_MS + 2 * EVERY_MS, wifi=False, clock_anew=True)
    assert [(era, at_s) for era, at_s, _ in wake.kept()] == [(1, 0), (1, 897), (2, 0)]


def test_with_no_thermometer_and_no_moisture_the_probe_still_says_so(board: Board) -> None:
    wake = board.wake(START_MS, power_came=True, wifi=False, thermometers={}, converter_uv={"34": [0]})
    assert wake.kept() == [[1, 0, {"faults": 2}]]


def test_readings_outlast_sleep_and_power_cuts_and_say_which_times_are_guessed(board: Board) -> None:
    for number in range(3):
        board.wake(START_MS + number * EVERY_MS, power_came=number == 0, wifi=False)
    wake = board.wake(START_MS + 10 * EVERY_MS, power_came=True, wifi=False)
    assert [era for era, _, _ in wake.kept()] == [1, 1, 1, 2]
    assert [at_s for _, at_s, _ in wake.kept()] == [
        0,
        897,
        1797,
        0,
    ]  # the first 3 s went by waiting for the button
    assert wake.kept()[-1][2]["guessed"] == 3


def test_a_probe_without_settings_opens_its_page_and_gives_up_after_ten_minutes(board: Board) -> None:
    board.put("/settings.json", b"")
    wake = board.wake(START_MS, power_came=True)
    assert wake.failure is None
    assert "access point underlid-f10a 10" in wake.log
    assert "radio 1 off" in wake.log
    assert 600_000 <= wake.awake_ms < 603_000
    assert wake.slept_ms == EVERY_MS
    assert b"as in alder-1" in wake.flash["/error.txt"]


def test_what_a_visitor_types_is_saved_and_the_probe_starts_with_it(board: Board) -> None:
    board.put("/settings.json", b"")
    board.far_ends[0].sendall(request(**FIELDS))
    wake = board.wake(START_MS, power_came=True, visitor=True)
    assert wake.failure is None
    page = board.far_ends[0].recv(65_536).decode()
    assert page.startswith("HTTP/1.0 200 OK\r\n")
    assert "alder-1 starts now" in page
    assert json.loads(wake.flash["/settings.json"])["wifi"] == FIELDS["wifi"]
    assert wake.slept_ms == 0  # a restart
    assert len(board.wake(START_MS, power_came=True, wifi=False).kept()) == 1


def test_with_the_button_held_a_probe_that_is_set_up_opens_its_page_again(board: Board) -> None:
    wake = board.wake(START_MS, power_came=True, wifi=False, button=True)
    assert "radio 1 on" in wake.log
    assert len(wake.kept()) == 1  # nobody came: it goes on with what it knew


def test_a_wrong_settings_file_is_noted_and_tried_again_later(board: Board) -> None:
    put(board, interval_s=5)
    wake = board.wake(START_MS, power_came=True)
    assert b"30 to 86400" in wake.flash["/error.txt"]
    assert wake.slept_ms == EVERY_MS


def test_what_is_sent_is_acknowledged_let_go_and_marked_online(board: Board, mosquitto: Mosquitto) -> None:
    relay = Relay(board.far_ends[0], mosquitto.port)
    thread = relay.start()
    wake = board.wake(START_MS, power_came=True)
    thread.join(15)
    assert wake.failure is None
    assert wake.kept() == []
    assert len(relay.published) == 1
    status = retained(mosquitto, "underlid/probe/alder-1/status")
    assert status == b"online"


def test_a_connection_that_dies_is_followed_by_the_last_will_and_one_more_try(
    board: Board, mosquitto: Mosquitto
) -> None:
    relay = Relay(board.far_ends[0], mosquitto.port, breaks_at=1)
    thread = relay.start()
    board.far_ends[1].close()  # the second try fails too
    wake = board.wake(START_MS, power_came=True)
    thread.join(15)
    assert len(wake.kept()) == 2  # the reading, and the signal of the try
    assert sum(entry.startswith("dial ") for entry in wake.log) == 2
    assert any(entry.startswith("Not sent; 2 readings are kept") for entry in wake.log)
    assert retained(mosquitto, "underlid/probe/alder-1/status") == b"offline"


def test_with_tls_the_probe_talks_only_to_whom_its_authority_vouches_for(
    board: Board, mosquitto: Mosquitto
) -> None:
    put(board, tls=True)
    without = board.wake(START_MS, power_came=True)
    assert any("ca.der" in entry for entry in without.log)
    assert len(without.kept()) == 2
    board.put("/ca.der", b"AUTHORITY")
    relay = Relay(board.far_ends[2], mosquitto.port)
    thread = relay.start()
    later = board.wake(START_MS + 2 * EVERY_MS, power_came=True, time_server=True)
    thread.join(15)
    assert "dial 192.0.2.10:8883" in later.log
    assert "tls to 192.0.2.10 by AUTHORITY" in later.log
    assert later.kept() == []


@pytest.mark.parametrize("send_every", [1, 4])
def test_readings_are_gathered_before_the_radio_is_turned_on(
    board: Board, mosquitto: Mosquitto, send_every: int
) -> None:
    put(board, send_every=send_every)
    relay = Relay(board.far_ends[0], mosquitto.port)
    thread = relay.start()
    for number in range(send_every):
        wake = board.wake(START_MS + number * EVERY_MS, power_came=number == 0)
        assert ("radio 0 on" in wake.log) == (number == send_every - 1)
    thread.join(15)
    assert wake.kept() == []


def put(board: Board, **changes: object) -> None:
    board.put("/settings.json", json.dumps({**SETTINGS, **changes}).encode())


def retained(mosquitto: Mosquitto, topic: str) -> bytes:
    found = subscribe.simple(topic, port=mosquitto.port, hostname="127.0.0.1")  # type: ignore[no-untyped-call]
    payload: bytes = found.payload
    return payload
