"""A link that swallows packets, as at the edge of a Wi-Fi: nothing fails by itself, and nothing waits for ever."""

import socket
import threading
from contextlib import closing, suppress

from playwright.sync_api import Browser, expect

from conftest import Service, free_port, wait_for
from web.screens import PHONE, Watched, axe_findings, furnish, too_wide

# The deadline of a request and the pause between two looks at the clock, with room for a slow computer.
NOTICED_MS = 120_000


class Line:
    """Carries bytes between a browser and a service; while it is mute none arrives, either way."""

    def __init__(self, far_port: int) -> None:
        self.port = free_port()
        self._far_port = far_port
        self._carries = threading.Event()
        self._carries.set()
        self._near = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def mute(self) -> None:
        self._carries.clear()

    def speak(self) -> None:
        self._carries.set()

    def close(self) -> None:
        self.speak()
        self._near.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._near.accept()
                threading.Thread(target=self._connect, args=(near,), daemon=True).start()

    def _connect(self, near: socket.socket) -> None:
        with suppress(OSError), near, socket.create_connection(("127.0.0.1", self._far_port)) as far:
            back = threading.Thread(target=self._carry, args=(far, near), daemon=True)
            back.start()
            self._carry(near, far)
            back.join()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while said := one.recv(65536):
                self._carries.wait()
                other.sendall(said)
        with suppress(OSError):  # wakes the thread that carries the other way
            other.shutdown(socket.SHUT_RDWR)


def test_on_a_mute_link_the_loss_is_told_and_entries_wait_and_arrive_once(
    browser: Browser, service: Service
) -> None:
    furnish(service, alder=0)
    with closing(Line(service.http_port)) as line:
        watched = Watched(browser, line, PHONE)
        page = watched.page
        page.goto("/bins/alder")
        expect(page.locator(".link-live")).to_be_attached()
        expect(page.get_by_text("Nothing noted yet.")).to_be_visible()
        line.mute()
        page.get_by_role("button", name="Turned", exact=True).tap()
        page.get_by_role("button", name="Log it", exact=True).tap()
        entered = page.locator("form.log-entry")
        expect(entered).to_have_count(0, timeout=NOTICED_MS)
        expect(page.get_by_role("status").filter(has_text="Noted on this device")).to_be_attached()
        # Nobody waits for the next one, which stands behind the first.
        page.get_by_role("button", name="Wetted", exact=True).tap()
        page.get_by_role("button", name="0.5 L", exact=True).tap()
        expect(entered).to_have_count(0)
        lost = page.get_by_text("Connection lost at")
        expect(lost).to_be_visible(timeout=NOTICED_MS)
        assert axe_findings(page) + too_wide(page) == []
        assert service.items("/log") == []

        line.speak()
        wait_for(lambda: len(service.items("/log")) >= 2, "the two entries", 90)
        expect(lost).to_have_count(0, timeout=NOTICED_MS)
        expect(page.get_by_text("waits to be sent")).to_have_count(0, timeout=NOTICED_MS)
        # What the mute link held back has arrived as well as what was sent again.
        assert [each["kind"] for each in service.items("/log")] == ["wetted", "turned"]
        assert [c for c in watched.complaints if "ERR_" not in c] == []
        watched.close()
