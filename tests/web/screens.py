"""What the tests of the screens share: a browser that is watched, a farm to look at, probes that speak."""

import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

import paho.mqtt.publish as mqtt
import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, expect, sync_playwright

from conftest import START_WITHIN_S, Service, wait_for

CHROMIUM = shutil.which("chromium")
# What a container without a display, a graphics card or a way to the internet needs.
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1440, "height": 900}
AXE = Path(__file__).parents[2] / "dashboards" / "node_modules" / "axe-core" / "axe.min.js"
SOON_MS = 15_000

expect.set_options(timeout=SOON_MS)


@contextmanager
def chromium() -> Iterator[Browser]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine; install Debian's package chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


class Served(Protocol):
    """Whatever has the screens at an address."""

    @property
    def url(self) -> str: ...


class Watched:
    """A page on the service; `complaints` gathers what went wrong in it and requests that went elsewhere."""

    def __init__(
        self,
        browser: Browser,
        service: Served,
        size: dict[str, int],
        scheme: str = "light",
        locale: str = "en-GB",
    ) -> None:
        self.context = browser.new_context(
            base_url=service.url,
            viewport={"width": size["width"], "height": size["height"]},
            color_scheme="dark" if scheme == "dark" else "light",
            has_touch=size == PHONE,
            locale=locale,
            reduced_motion="reduce",
        )
        self.page: Page = self.context.new_page()
        self.complaints: list[str] = []
        self.page.on("pageerror", lambda error: self.complaints.append(f"error: {error}"))

        def said(message: ConsoleMessage) -> None:
            if message.type == "error":
                self.complaints.append(message.text)

        def asked(request: Request) -> None:
            if not request.url.startswith((service.url, "data:", "blob:")):
                self.complaints.append(f"a request to {request.url}")

        self.page.on("console", said)
        self.page.on("request", asked)

    def close(self) -> None:
        self.context.close()


class Demonstration(Service):
    """`underlid demo` as a process of its own: a farm in full swing, whose hours pass faster."""

    def start(self, wait: bool = True) -> None:
        command = [sys.executable, "-m", "underlid", "demo", "--no-open", "--data-dir", str(self.data_dir)]
        with self._log_file.open("ab") as log:
            self.process = subprocess.Popen(
                [*command, "--port", str(self.http_port), *self.options], stdout=log, stderr=log
            )
        if wait:
            wait_for(self._is_up, "the demonstration", START_WITHIN_S)
            self.mqtt_port = int(str(self.api("GET", "/farm")["broker"]).rpartition(":")[2])


def publish(service: Service, probe: str, payload: str) -> None:
    """Publish one message at QoS 1, as a probe does."""
    mqtt.single(
        f"underlid/probe/{probe}",
        payload,
        qos=1,
        hostname="127.0.0.1",
        port=service.mqtt_port,
        client_id=probe,
    )


def speak(service: Service, probe: str, temp_c: float, moist_pct_wb: float) -> None:
    publish(
        service,
        probe,
        f'[{{"n":"temp","u":"Cel","v":{temp_c}}},{{"n":"moist","u":"%","v":{moist_pct_wb}}}]',
    )


def backlog(service: Service, probe: str, moist_pct_wb: list[float], ended_h_ago: float = 0) -> None:
    """Publish a past of moistures, one each 5 min (temperature steady), as a probe that was cut off does."""
    end = int(time.time() - ended_h_ago * 3600)
    records = []
    for age, moist in enumerate(reversed(moist_pct_wb)):
        at = end - age * 300
        records.append(f'{{"n":"temp","u":"Cel","t":{at},"v":18.5}}')
        records.append(f'{{"n":"moist","u":"%","t":{at},"v":{moist}}}')
    publish(service, probe, f"[{','.join(records)}]")


def furnish(service: Service, **bins: float) -> None:
    """A shed with bins, each with a probe in its top; to each bin how many hours ago its probe last spoke."""
    service.api("POST", "/places", id="shed", name="Potting shed", outdoors=False)
    for name, ended_h_ago in bins.items():
        service.api("POST", "/bins", id=name, name=name.capitalize(), place_id="shed")
        backlog(service, f"{name}-1", [74.0 + (i % 3) / 10 for i in range(72)], ended_h_ago)
        wait_for(
            lambda probe=f"{name}-1": any(p["id"] == probe for p in service.items("/probes")),  # type: ignore[misc]
            f"the probe of {name}",
        )
        service.api(
            "POST", f"/probes/{name}-1/placement", subject={"kind": "bin", "id": name}, position="top"
        )


def dry_out(service: Service, name: str) -> None:
    """An hour and a half of a top drier than worms stand, until the service says so."""
    backlog(service, f"{name}-1", [48.0 - i / 20 for i in range(18)])
    wait_for(lambda: bool(service.items("/alarms?show=live")), f"the alarm of {name}")


def axe_findings(page: Page) -> list[str]:
    """What axe-core has against the page, once it is drawn."""
    expect(page.locator("h1").first).to_be_attached()
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE.read_text())
    violations = page.evaluate("axe.run().then(r => r.violations)")
    return [f"{v['id']}: {node['html'][:160]}" for v in violations for node in v["nodes"]]


def too_wide(page: Page) -> list[str]:
    """By how much the page is wider than the screen, if it is."""
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return [f"{wide} px wider than the screen"] if wide > 0 else []
