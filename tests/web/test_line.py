"""Lines to the service that are no browser's: too many, too slow, too large, broken off."""

import re
import socket
import struct
import time

import httpx
import pytest

from conftest import MakeService, Service, wait_for
from underlid.web.line import HEAD_BYTES, MOST_OF_AN_ADDRESS


@pytest.fixture
def service(make_service: MakeService) -> Service:
    started = make_service("--parts", "web,intake")
    started.start()
    return started


def line(service: Service, source: str = "127.0.0.1") -> socket.socket:
    return socket.create_connection(("127.0.0.1", service.http_port), 30, (source, 0))


def test_a_head_without_an_end_is_broken_off_before_it_takes_memory(service: Service) -> None:
    with line(service) as opened:
        opened.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")
        sent = 0
        try:
            while sent < 100 * HEAD_BYTES:
                sent += opened.send(b"X-Filler: " + b"x" * 4000 + b"\r\n")
        except ConnectionError:
            pass
        assert sent < 100 * HEAD_BYTES
    assert httpx.get(f"{service.url}/healthz/live", timeout=20).status_code == 204


def test_a_large_body_in_one_piece_with_its_head_is_taken(service: Service) -> None:
    body = {"id": "shed", "name": "Shed", "outdoors": False}
    padded = httpx.Request("POST", f"{service.url}/api/v1/places", json=body).content + b" " * 500_000
    answer = httpx.post(
        f"{service.url}/api/v1/places",
        content=padded,
        headers={"Content-Type": "application/json"},
        timeout=20,
    )
    assert answer.status_code == 201


def test_one_address_holds_no_more_lines_than_others_can_do_without(service: Service) -> None:
    opened = [line(service, "127.0.0.9") for _ in range(MOST_OF_AN_ADDRESS + 20)]
    try:
        wait_for(lambda: sum(is_closed_now(each) for each in opened) >= 20, "the last lines closed")
        assert httpx.get(f"{service.url}/healthz/live", timeout=20).status_code == 204
    finally:
        for each in opened:
            each.close()


def is_closed_now(opened: socket.socket) -> bool:
    opened.settimeout(0)
    try:
        return opened.recv(1) == b""
    except BlockingIOError:
        return False
    except ConnectionError:
        return True


def test_a_client_that_breaks_off_leaves_no_traceback_in_the_log(service: Service) -> None:
    for _ in range(200):
        with line(service) as opened:
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            opened.sendall(b"GET /api/v1/farm HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 3)
    time.sleep(1)
    assert httpx.get(f"{service.url}/api/v1/farm", timeout=20).status_code == 200
    assert re.findall(r"Traceback|Error", service.log) == []
