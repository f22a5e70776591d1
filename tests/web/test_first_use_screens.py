"""The first use, without help, on a phone: from nothing at all to the first alarm acknowledged, in so many taps."""

from playwright.sync_api import Browser, Locator, expect

from conftest import Service
from web.screens import PHONE, Watched, axe_findings, backlog, dry_out, too_wide

# Place this probe, the name of the bin, that of its place, Place it here; Alarms, Acknowledge. That it is a new bin,
# and the probe in its top, is filled in.
TAPS = 6


def test_from_the_empty_screen_to_the_first_alarm_acknowledged(browser: Browser, service: Service) -> None:
    watched = Watched(browser, service, PHONE)
    page = watched.page
    taps = 0

    def tap(what: Locator) -> None:
        nonlocal taps
        taps += 1
        what.tap()

    page.goto("/")
    expect(page.get_by_role("heading", name="No bin is watched yet")).to_be_visible()
    backlog(service, "alder-1", [74.0 + (i % 3) / 10 for i in range(72)], ended_h_ago=2)
    expect(page.get_by_text("alder-1 has spoken.")).to_be_visible()
    tap(page.get_by_role("link", name="Place this probe"))
    tap(page.get_by_label("Name of the bin"))
    page.keyboard.type("Old Alder")
    tap(page.get_by_label("Name of that place"))
    page.keyboard.type("Potting shed")
    expect(page.get_by_label("Top")).to_be_checked()
    tap(page.get_by_role("button", name="Place it here"))
    expect(page.get_by_role("status")).to_contain_text("alder-1 is placed: Old Alder, top")
    dry_out(service, "alder")
    tap(page.get_by_role("link", name="Alarms 1"))
    assert axe_findings(page) + too_wide(page) == []
    tap(page.get_by_role("button", name="Acknowledge"))
    expect(page.get_by_role("button", name="Acknowledge")).to_have_count(0)
    assert service.items("/alarms?show=live")[0]["state"] == "acknowledged"
    assert taps == TAPS
    assert watched.complaints == []
    watched.close()
