"""A part of the service that is not well is told on the screen, and no longer once it is."""

import httpx
import pytest
from playwright.sync_api import Browser, expect

from conftest import MakeService, Mosquitto, Service, wait_for
from web.screens import DESK, PHONE, Watched, axe_findings, too_wide


def not_well(service: Service) -> list[str]:
    told: list[str] = httpx.get(f"{service.url}/healthz", timeout=20).json()["not_well"]
    return told


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_broker_that_is_away_is_told_on_the_screen_until_it_is_back(
    browser: Browser, make_service: MakeService, mosquitto: Mosquitto, scheme: str
) -> None:
    service = make_service("--mqtt", mosquitto.url)
    service.start()
    mosquitto.stop()
    wait_for(lambda: "broker" in not_well(service), "the fault")
    watched = Watched(browser, service, PHONE if scheme == "light" else DESK, scheme)
    page = watched.page
    page.goto("/")
    told = page.get_by_role("status", name="Not well")
    expect(told).to_contain_text("Broker")
    expect(told).to_contain_text(str(mosquitto.port))
    assert axe_findings(page) == []
    assert too_wide(page) == []
    mosquitto.start()
    wait_for(lambda: not_well(service) == [], "the broker found again", 90)
    page.reload()
    expect(page.locator("main h1")).to_be_attached()
    expect(told).to_have_count(0)
    assert [each for each in watched.complaints if "503" not in each] == []
    watched.close()
