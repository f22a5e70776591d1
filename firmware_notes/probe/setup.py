"""The first run: an access point of the probe's own with one page that asks for Wi-Fi and broker."""

import json
import os
import socket
import time

import flash
import network
import page
import settings as settings_file

OPEN_MS = 600_000  # a forgotten probe must not keep its radio on
SIGNS = "abcdefghijkmnpqrstuvwxyz23456789"


def run(path: str, mac: bytes) -> bool:
    """Serve the page until settings are saved to `path` (True) or ten minutes have passed (False)."""
    name = "underlid-" + mac.hex()[-4:]
    password = "".join(SIGNS[byte % len(SIGNS)] for byte in os.urandom(10))
    point = network.WLAN(network.AP_IF)
    point.active(True)
    point.config(ssid=name, key=password, security=3)  # 3: WPA2
    print("Join the Wi-Fi", name, "with the password", password, "and open http://192.168.4.1")
    door = socket.socket()
    door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    door.bind(("0.0.0.0", 80))
    door.listen(2)
    door.settimeout(1)
    started = time.ticks_ms()
    try:
        while time.ticks_diff(time.ticks_ms(), started) < OPEN_MS:
            try:
                visitor = door.accept()[0]
            except OSError:
                continue  # nobody in this second
            if _serve(visitor, path):
                return True
        return False
    finally:
        door.close()
        point.active(False)


def answer(request: bytes, old: dict) -> tuple:
    """(the page to show, the settings to save or None) for a request."""
    try:
        fields = page.posted(request)
        if fields is None:
            return page.form(old), None
        new = page.merged(old, fields)
    except ValueError as error:
        return page.form(old, str(error)), None
    try:
        settings_file.checked(new)
    except ValueError as error:
        return page.form(new, str(error)), None
    return page.saved(new["id"]), new


def _serve(visitor: object, path: str) -> bool:
    try:
        visitor.settimeout(5)
        request = b""
        while not page.is_whole(request):
            more = visitor.recv(1024)
            if not more or len(request) + len(more) > page.MOST_BYTES:
                visitor.write(page.response("This request is too large or cut off.", "400 Bad Request"))
                return False
            request += more
        shown, new = answer(request, _known(path))
        if new:
            flash.write(path, json.dumps(new).encode())
        visitor.write(page.response(shown))
        return bool(new)
    except OSError:
        return False  # the visitor left
    finally:
        visitor.close()


def _known(path: str) -> dict:
    try:
        return dict(json.loads(flash.read(path)))
    except (ValueError, TypeError):
        return {}
