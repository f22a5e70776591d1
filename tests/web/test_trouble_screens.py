"""A part of the service that is not well is told on the screen, and no longer once it is; many tabs are no trouble."""

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from conftest import MakeService, Mosquitto, Service, wait_for
from web.screens import DESK, PHONE, Watched, axe_findings, dry_out, furnish, too_wide


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


TABS = 8  # a browser has six connections to a service

# A browser without a screen shows all its tabs at once; here it is told which is seen.
SEEN = "Object.defineProperty(document, 'visibilityState', { get: () => window.seen ?? 'visible' })"


def see(page: Page, seen: str) -> None:
    page.evaluate(
        "seen => { window.seen = seen; document.dispatchEvent(new Event('visibilitychange')); }", seen
    )


def test_any_number_of_tabs_is_drawn_and_one_that_is_seen_again_knows_what_came_meanwhile(
    browser: Browser, service: Service
) -> None:
    furnish(service, alder=2)
    watched = Watched(browser, service, PHONE)
    watched.context.add_init_script(SEEN)
    tabs = [watched.page]
    tabs += [watched.context.new_page() for _ in range(TABS - 1)]
    for tab in tabs:
        tab.goto("/alarms")
        expect(tab.get_by_role("heading", name="No alarm stands.")).to_be_visible()
        expect(tab.locator(".link-live")).to_be_visible()
        see(tab, "hidden")
    first = tabs[0]
    dry_out(service, "alder")
    with first.expect_request("**/api/v1/live"):
        see(first, "visible")
    expect(first.locator(".alarm").filter(has_text="too dry")).to_be_visible()
    expect(first.locator(".link-live")).to_be_visible()
    expect(first.get_by_text("Connection lost")).to_have_count(0)
    # What it is told from now on is its own again.
    service.api("POST", f"/alarms/{service.items('/alarms')[0]['id']}/acknowledge")
    expect(first.get_by_role("button", name="Acknowledge")).to_have_count(0)
    assert watched.complaints == []
    watched.close()
