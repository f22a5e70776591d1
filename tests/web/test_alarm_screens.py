"""What a keeper does with an alarm on the screens, at the size of a phone and of a desk."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

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


def stopped(page: Page) -> None:
    """Stops the page's clock, so that no moment passes before the next press, however slow the machine."""
    page.clock.pause_at(page.evaluate("Date.now() + 2000"))


def name_at(page: Page, spot: tuple[float, float]) -> str:
    """What the button at a place of the screen says."""
    name: str = page.evaluate(
        "([x, y]) => document.elementFromPoint(x, y)?.closest('button')?.textContent ?? ''", list(spot)
    )
    return name


def test_a_second_tap_does_not_do_what_the_first_put_in_its_place(browser: Browser, service: Service) -> None:
    furnish(service, alder=2)
    dry_out(service, "alder")
    watched = Watched(browser, service, PHONE)
    page = watched.page
    page.clock.install()
    page.goto("/alarms")
    card = page.locator(".alarm").filter(has_text="too dry")
    acknowledge = card.get_by_role("button", name="Acknowledge")
    done = card.get_by_role("button", name="Log it done")
    expect(done).to_be_visible()
    box = acknowledge.bounding_box()
    assert box is not None
    spot = (box["x"] + box["width"] / 3, box["y"] + box["height"] / 2)
    assert name_at(page, spot) == "Acknowledge"
    stopped(page)
    page.touchscreen.tap(*spot)
    expect(acknowledge).to_have_count(0)
    assert name_at(page, spot).startswith("Log it done: wetted")
    expect(done).to_be_disabled()  # for now
    page.touchscreen.tap(*spot)
    page.touchscreen.tap(spot[0] + 9, spot[1] - 9)
    page.clock.run_for(700)
    expect(done).to_be_enabled()
    card.get_by_role("button", name="Shelve").tap()
    expect(card.get_by_label("Why (if you like)")).to_be_visible()
    assert service.items("/log") == []
    done.tap()
    expect(page.get_by_role("status").filter(has_text="Noted: Wetted")).to_be_visible()
    assert len(service.items("/log")) == 1
    assert watched.complaints == []
    watched.close()


def test_a_key_pressed_twice_does_not_take_back_what_it_did(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, DESK)
    page = watched.page
    page.goto("/alarms")
    card = page.locator(".alarm").filter(has_text="too dry")
    card.get_by_role("button", name="It was false:").press("Enter")
    expect(card).to_contain_text("Marked as false")
    expect(card.get_by_role("heading", name="too dry")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert garden.items("/alarms?show=live")[0]["was_false"] is True
    card.get_by_role("button", name="It was right after all:").press("Enter")
    expect(card).not_to_contain_text("Marked as false")
    assert watched.complaints == []
    watched.close()


def test_a_deed_logged_by_one_tap_is_taken_back(browser: Browser, service: Service) -> None:
    furnish(service, alder=2)
    dry_out(service, "alder")
    watched = Watched(browser, service, PHONE, "dark")
    page = watched.page
    page.goto("/alarms")
    card = page.locator(".alarm").filter(has_text="too dry")
    done = card.get_by_role("button", name="Log it done: wetted")
    said = page.get_by_role("status").filter(has_text="Wetted")

    def take_back() -> None:
        undo = page.get_by_role("button", name="Undo: Noted: Wetted")
        expect(undo).to_be_visible()
        assert len(service.items("/log")) == 1
        assert axe_findings(page) + too_wide(page) == []
        undo.tap()
        expect(said).to_contain_text("Deleted: Wetted")
        expect(undo).to_have_count(0)
        assert service.items("/log") == []

    done.tap()
    expect(card.locator(".deed")).to_be_visible()
    take_back()
    expect(card.locator(".deed")).to_have_count(0)
    expect(done).to_be_visible()

    page.goto("/round")
    box = page.get_by_role("checkbox").first
    box.check()
    take_back()
    expect(box).not_to_be_checked()

    page.goto("/bins/alder")
    page.get_by_role("button", name="Wetted", exact=True).tap()
    page.get_by_role("button", name="0.5 L", exact=True).tap()
    take_back()
    expect(page.locator(".log-list > li")).to_have_count(0)

    # What has not gone out yet is taken out of what waits.
    watched.context.set_offline(True)
    page.get_by_role("button", name="Wetted", exact=True).tap()
    page.get_by_role("button", name="0.5 L", exact=True).tap()
    page.get_by_role("button", name="Undo: Noted on this device").tap()
    expect(said).to_contain_text("Deleted: Wetted 0.5 L")
    watched.context.set_offline(False)
    expect(page.get_by_text("Connection lost")).to_have_count(0)
    assert service.items("/log") == []
    assert [c for c in watched.complaints if "ERR_INTERNET_DISCONNECTED" not in c] == []
    watched.close()
