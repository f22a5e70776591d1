"""Calibrating a raw moisture channel on the screens, with a probe that speaks over real MQTT."""

import json
import re
import threading
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Browser, Page, expect

from conftest import Service, started, wait_for
from web.screens import DESK, PHONE, Demonstration, Watched, axe_findings, too_wide

# Ten minutes, over which a probe must stand still, pass in 5 s of this demonstration.
OPTIONS = ["--speed", "120", "--days", "4"]


class RawProbe:
    """A probe that says its raw count (with the little scatter of a capacitive one) twice a second."""

    def __init__(self, service: Service) -> None:
        self.counts = 2300.0
        self.restless = False  # held in the hand on its way from one bedding to the next
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, "raw-1")
        self._client.connect("127.0.0.1", service.mqtt_port)
        self._client.loop_start()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._speak, daemon=True)
        self._thread.start()

    def _speak(self) -> None:
        spoken = 0
        while not self._over.wait(0.5):
            spoken += 1
            off = (-400 if spoken % 2 else 400) if self.restless else spoken % 3
            pack = [
                {"n": "moist", "u": "count", "v": self.counts + off},
                {"n": "temp", "u": "Cel", "v": 18.5},
            ]
            self._client.publish("underlid/probe/raw-1", json.dumps(pack), qos=1)

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self._client.loop_stop()
        self._client.disconnect()


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with started(Demonstration(tmp_path_factory.mktemp("garden") / "data", OPTIONS)) as service:
        service.api("POST", "/bins", id="gauge", name="Gauge bin", place_id="potting-shed")
        yield service


@pytest.fixture(scope="module")
def probe(garden: Service) -> Iterator[RawProbe]:
    speaking = RawProbe(garden)
    wait_for(lambda: any(p["id"] == "raw-1" for p in garden.items("/probes")), "the probe")
    garden.api("POST", "/probes/raw-1/placement", subject={"kind": "bin", "id": "gauge"}, position="top")
    yield speaking
    speaking.close()


def take_point(page: Page) -> None:
    button = page.get_by_role("button", name="Take this point")
    expect(button).to_be_enabled()
    button.click()


def test_raw_counts_are_called_so_and_lead_to_a_calibration_that_gives_moisture(
    browser: Browser, garden: Service, probe: RawProbe
) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/bins/gauge")
    expect(page.get_by_text("raw counts, not calibrated")).to_be_visible()
    page.get_by_role("link", name="Calibrate top").tap()
    expect(page.get_by_role("heading", name="Calibrate raw-1")).to_be_focused()
    expect(page.get_by_text("Never calibrated.")).to_be_visible()
    expect(page.get_by_text("steady", exact=True)).to_be_visible()
    page.get_by_label("Moisture, % of the moist mass").fill("60")
    take_point(page)
    expect(page.locator(".point-list")).to_contain_text("at 230")

    # Between two beddings it jumps about, and no point may be taken.
    probe.restless = True
    expect(page.get_by_text("it jumps about")).to_be_visible()
    expect(page.get_by_role("button", name="Take this point")).to_be_disabled()
    probe.counts, probe.restless = 1500.0, False

    # The sample's dry mass comes a day later: the point waits for it, over a reload too.
    page.get_by_label("By an oven-dried sample").check()
    expect(page.get_by_text("burn, and so does the steam")).to_be_visible()
    page.get_by_label("Empty dish, g").fill("40")
    page.get_by_label("Dish with the moist sample, g").fill("140")
    take_point(page)
    expect(page.get_by_text("waits for the dry mass")).to_be_visible()
    page.reload()
    page.get_by_label("Dish with the dry sample, g").fill("60")
    page.get_by_role("button", name="Enter it").tap()

    # 80 g of water in 100 g of moist sample: 80 % (ASTM D2216's masses, on the wet basis).
    expect(page.locator(".preview .version-points")).to_contain_text("80.0 %")
    expect(page.locator(".preview canvas")).to_be_visible()
    expect(page.get_by_text("By this curve it reads 80 % now.")).to_be_visible()
    assert too_wide(page) == []
    assert axe_findings(page) == []

    page.get_by_label("For the past as well").check()
    page.get_by_role("button", name="Use this calibration").tap()
    expect(page.get_by_role("heading", name="The curve in force")).to_be_visible()
    expect(page.locator(".version-list")).to_contain_text("Version 1in force")
    page.goto("/bins/gauge")
    expect(page.get_by_text("raw counts, not calibrated")).to_have_count(0)
    # At the demonstration's speed a slow machine takes its time to judge all its bins.
    expect(page.locator(".layer-top")).to_contain_text("80 %", timeout=60_000)
    assert watched.complaints == []
    watched.close()


def test_points_that_make_no_curve_are_refused_in_words_and_can_be_dropped(
    browser: Browser, garden: Service, probe: RawProbe
) -> None:
    watched = Watched(browser, garden, DESK, "dark")
    page = watched.page
    page.goto("/probes")
    page.get_by_role("link", name=re.compile("raw-1, moist")).click()
    for counts, moisture in ((2300.0, "60"), (1900.0, "50"), (1500.0, "80")):
        probe.restless = True
        expect(page.get_by_text("it jumps about")).to_be_visible()
        probe.counts, probe.restless = counts, False
        page.get_by_label("Moisture, % of the moist mass").fill(moisture)
        take_point(page)
    refusal = page.get_by_role("alert").filter(has_text="That did not work")
    expect(refusal).to_be_visible()
    expect(page.get_by_role("button", name="Use this calibration")).to_have_count(0)
    assert axe_findings(page) == []
    page.get_by_role("button", name="Drop the point at 190").click()
    expect(refusal).to_have_count(0)
    expect(page.get_by_role("button", name="Use this calibration")).to_be_visible()
    assert axe_findings(page) == []
    assert [c for c in watched.complaints if "422" not in c] == []
    watched.close()
