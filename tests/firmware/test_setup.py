"""The settings file and the page that asks for them."""

import json
from typing import Any
from urllib.parse import urlencode

import pytest

from firmware.conftest import SETTINGS, Interpreter, Refused


def test_a_short_file_is_filled_up_with_defaults(micropython: Interpreter) -> None:
    full = micropython.call("settings.parse", json.dumps(SETTINGS).encode())
    assert full["port"] == 1883
    assert full["interval_s"] == 900
    assert full["pins"]["moist"] == 34
    secure = micropython.call("settings.parse", json.dumps({**SETTINGS, "tls": True}).encode())
    assert secure["port"] == 8883


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"id": "alder 1"}, "as in alder-1"),
        ({"id": ""}, "as in alder-1"),
        ({"wifi": ""}, "Wi-Fi's name"),
        ({"wifi_password": "short"}, "8 to 63"),
        ({"broker": "mqtt://192.0.2.10"}, "host name or address alone"),
        ({"port": 70_000}, "up to 65535"),
        ({"port": "1883"}, "'port' must look like 0"),
        ({"tls": 1}, "'tls' must look like false"),
        ({"password": "x"}, "needs a user"),
        ({"interval_s": 5}, "30 to 86400"),
        ({"send_every": 0}, "1 to 96"),
        ({"keep": 10**6}, "32 to 8192"),
        ({"sensors": ["ph"]}, "ds18b20, moist, sht3x, battery"),
        ({"names": {"28ff": "pocket"}}, "as in pocket-temp"),
        ({"pins": {"moist": 25}}, "32 to 39"),
        ({"pins": {"moisture": 34}}, "GPIO numbers"),
        ({"battery_ohm": [1000]}, "upper and the lower"),
        ({"wfi": "x"}, "'wfi' is not a setting"),
    ],
    ids=lambda each: str(each)[:40],
)
def test_a_wrong_setting_is_refused_with_what_would_be_right(
    micropython: Interpreter, change: dict[str, Any], said: str
) -> None:
    with pytest.raises(Refused, match="ValueError") as refusal:
        micropython.call("settings.parse", json.dumps({**SETTINGS, **change}).encode())
    assert said in str(refusal.value)


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b'"x"'])
def test_a_file_that_is_no_object_is_refused(micropython: Interpreter, text: bytes) -> None:
    with pytest.raises(Refused, match=r"settings\.json"):
        micropython.call("settings.parse", text)


def request(**fields: str) -> bytes:
    body = urlencode(fields).encode()
    return b"POST / HTTP/1.1\r\nHost: 192.168.4.1\r\ncontent-length: %d\r\n\r\n" % len(body) + body


def answered(micropython: Interpreter, sent: bytes, old: dict[str, Any]) -> tuple[str, dict[str, Any] | None]:
    """What the page's own logic gives; the sockets around it need a board."""
    found: tuple[str, dict[str, Any] | None] = micropython.run(
        "import sys\nfor name in ('network', 'socket'): sys.modules.setdefault(name, sys)\n"
        f"import setup\n_ = setup.answer({sent!r}, {old!r})"
    )
    return found


FIELDS = {
    "id": "alder-1",
    "wifi": "kitchen garden & café",
    "wifi_password": "100% apple+pomace",
    "broker": "192.0.2.10",
    "port": "",
    "user": "",
    "password": "",
    "interval_s": "600",
}


def test_what_is_typed_into_the_page_becomes_settings_letter_for_letter(micropython: Interpreter) -> None:
    page, new = answered(micropython, request(**FIELDS, sht3x="on"), {})
    assert new is not None
    assert new["wifi"] == FIELDS["wifi"]
    assert new["wifi_password"] == FIELDS["wifi_password"]
    assert new["interval_s"] == 600
    assert new["sensors"] == ["ds18b20", "moist", "sht3x"]
    assert "alder-1 starts now" in page
    assert micropython.call("settings.parse", json.dumps(new).encode())["port"] == 1883


def test_a_slip_is_shown_with_what_was_typed_and_no_password(micropython: Interpreter) -> None:
    page, new = answered(micropython, request(**{**FIELDS, "id": 'a"><script>'}), {})
    assert new is None
    assert "as in alder-1" in page
    assert "kitchen garden &amp; café" in page
    assert "<script" not in page
    assert "pomace" not in page
    page, new = answered(micropython, request(**{**FIELDS, "interval_s": "often"}), {})
    assert new is None
    assert "'often' is no whole number" in page


def test_an_empty_password_leaves_the_old_one(micropython: Interpreter) -> None:
    old = {**SETTINGS, "names": {"28ff": "pocket-temp"}}
    _, new = answered(micropython, request(**{**FIELDS, "wifi_password": ""}), old)
    assert new is not None
    assert new["wifi_password"] == SETTINGS["wifi_password"]
    assert new["names"] == old["names"]
    page, new = answered(micropython, b"GET / HTTP/1.1\r\n\r\n", old)
    assert new is None
    assert 'value="alder-1"' in page
    assert SETTINGS["wifi_password"] not in page


def test_a_request_is_whole_only_with_all_of_its_body(micropython: Interpreter) -> None:
    whole = request(**FIELDS)
    head = whole.index(b"\r\n\r\n") + 4
    for cut in (0, 10, head - 1, head, len(whole) - 1):
        assert not micropython.call("page.is_whole", whole[:cut])
    assert micropython.call("page.is_whole", whole)
