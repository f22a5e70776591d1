"""What a keeper does with an alarm on the screens, at the size of a phone and of a desk."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from conftest import Service, started
from web.screens import (
    DESK,
    PHONE,
    Watched,
    axe_findings,
    dry_out,
    furnish,
    too_wide,
)


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """Alder, whose top is too dry."""
    with started(Service(tmp_path_factory.mktemp("garden") / "data")) as service:
        furnish(service, alder=2)
        dry_out(service, "alder")
        yield service


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_an_alarm_is_shelved_with_a_reason_taken_out_of_service_and_marked_false(
    browser: Browser, garden: Service, size: dict[str, int]
) -> None:
    watched = Watched(browser, garden, size, "dark" if size == DESK else "light")
    page = watched.page
    page.goto("/alarms")
    card = page.locator(".alarm").filter(has_text="too dry")
    card.get_by_text("Readings and history").click()
    expect(card).to_contain_text("Readings behind it")
    expect(card).to_contain_text("top moisture (alder-1)")

    card.get_by_role("button", name="Shelve", exact=True).click()
    page.get_by_label("Why (if you like)").fill("the can is empty")
    assert axe_findings(page) == []
    page.get_by_role("button", name="2 h", exact=True).click()
    expect(page.get_by_role("heading", name="Shelved and out of service")).to_be_visible()
    expect(card).to_contain_text("the can is empty")
    card.get_by_role("button", name="Take off the shelf").click()

    card.get_by_role("button", name="Out of service").click()
    page.get_by_role("button", name="Take out of service").click()
    expect(page.get_by_label("Why (needed)")).to_be_focused()  # the browser asks for it
    page.get_by_label("Why (needed)").fill("bin is being rebuilt")
    page.get_by_role("button", name="Take out of service").click()
    expect(card).to_contain_text("bin is being rebuilt")
    card.get_by_role("button", name="Return to service").click()

    card.get_by_role("button", name="It was false:").click()
    expect(card).to_contain_text("Marked as false")
    assert garden.items("/alarms?show=live")[0]["was_false"] is True
    assert axe_findings(page) == []
    card.get_by_role("button", name="It was right after all:").click()
    expect(card).not_to_contain_text("Marked as false")
    causes = {step["cause"] for step in garden.api("GET", f"/alarms/{alarm_id(garden)}")["history"]}  # type: ignore[attr-defined]
    assert {"raised", "shelved", "unshelved", "out-of-service", "in-service"} <= causes
    assert too_wide(page) == []
    assert watched.complaints == []
    watched.close()


def alarm_id(garden: Service) -> object:
    return garden.items("/alarms?show=live")[0]["id"]


def test_a_done_deed_is_told_on_the_card_until_the_probe_has_spoken(
    browser: Browser, garden: Service
) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/alarms")
    card = page.locator(".alarm").filter(has_text="too dry")
    card.get_by_role("button", name="Log it done: wetted").tap()
    expect(card.locator(".deed")).to_contain_text("Waiting for what the probe says.")
    expect(card.get_by_role("button", name="Log it done")).to_have_count(0)
    page.goto("/bins/alder")
    expect(page.locator(".alarm .deed")).to_contain_text("Wetted")
    assert axe_findings(page) == []
    assert watched.complaints == []
    watched.close()
