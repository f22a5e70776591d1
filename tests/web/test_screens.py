"""The screens in a real browser, on a real service, fed by real MQTT."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from conftest import Service, started, wait_for
from web.screens import (
    DESK,
    PHONE,
    Watched,
    dry_out,
    furnish,
    speak,
    too_wide,
)


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A farm with two bins, Alder too dry, a tub and a probe nobody has placed; Birch may be logged for."""
    with started(Service(tmp_path_factory.mktemp("garden") / "data")) as service:
        settle(service)
        yield service


def settle(service: Service) -> None:
    furnish(service, alder=2, birch=0)
    service.api("POST", "/feed-stores", id="tub", name="North tub", place_id="shed")
    speak(service, "tub-1", -3.5, 0)
    speak(service, "stray-1", 20.5, 70)
    wait_for(lambda: len(service.items("/probes")) == 4, "the probes")
    tub = {"kind": "feed-store", "id": "tub"}
    service.api("POST", "/probes/tub-1/placement", subject=tub, position="feed", channels=["temp"])
    service.api(
        "POST", "/log", subject={"kind": "bin", "id": "alder"}, kind="fed", amount_kg=0.8, what="leaves"
    )
    dry_out(service, "alder")


@pytest.fixture
def phone(browser: Browser, service: Service) -> Iterator[Watched]:
    watched = Watched(browser, service, PHONE)
    yield watched
    watched.close()


@pytest.fixture
def visitor(browser: Browser, garden: Service) -> Iterator[Watched]:
    watched = Watched(browser, garden, PHONE)
    yield watched
    watched.close()


def remember(page: Page) -> None:
    """Leaves something in the page that a reload would lose."""
    page.evaluate("window.stayed = true")


def assert_not_reloaded(page: Page) -> None:
    assert page.evaluate("window.stayed") is True


def test_a_first_reading_appears_on_the_empty_screen_without_a_reload(
    phone: Watched, service: Service
) -> None:
    page = phone.page
    page.goto("/")
    expect(page.get_by_role("heading", name="No bin is watched yet")).to_be_visible()
    expect(page.locator("code")).to_contain_text("underlid/probe/")
    remember(page)
    speak(service, "alder-1", 21.5, 71)
    expect(page.get_by_text("alder-1 has spoken.")).to_be_visible()
    expect(page.get_by_text("21.5 °C")).to_be_visible()
    speak(service, "alder-1", 22.5, 71)
    expect(page.get_by_text("22.5 °C")).to_be_visible()
    assert_not_reloaded(page)
    assert phone.complaints == []


def test_a_probe_is_placed_in_a_bin_made_on_the_spot_and_the_bin_is_live(
    phone: Watched, service: Service
) -> None:
    page = phone.page
    speak(service, "alder-1", 21.5, 71)
    page.goto("/probes")
    remember(page)
    page.get_by_role("button", name="Place it", exact=True).tap()
    page.get_by_label("Where does it sit?").select_option("bin/new")
    page.get_by_label("Name of the bin").fill("Old Alder")
    page.get_by_label("Name of that place").fill("Potting shed")
    page.get_by_label("Core").check()
    page.get_by_role("button", name="Place it here").tap()
    expect(page.get_by_role("status")).to_contain_text("alder-1 is placed: Old Alder, core")
    placed = service.items("/probes")[0]["channels"]
    assert isinstance(placed, list)
    assert {channel["placement"]["subject"]["id"] for channel in placed} == {"old-alder"}

    page.get_by_role("link", name="Bins", exact=True).tap()
    card = page.get_by_role("listitem").filter(has=page.get_by_role("heading", name="Old Alder"))
    expect(card).to_contain_text("71 %")
    speak(service, "alder-1", 21.5, 66)
    expect(card).to_contain_text("66 %")
    assert_not_reloaded(page)
    assert phone.complaints == []


def test_an_alarm_is_raised_before_the_eyes_and_acknowledged_by_keyboard_alone(
    browser: Browser, service: Service
) -> None:
    furnish(service, alder=2)
    watched = Watched(browser, service, DESK)
    page = watched.page
    page.goto("/")
    expect(page.get_by_role("heading", name="Alder")).to_be_visible()
    dry_out(service, "alder")
    expect(page.get_by_role("link", name="Alarms 1")).to_be_visible()

    def tab_to(name: str) -> None:
        for _ in range(60):
            page.keyboard.press("Tab")
            focused = page.locator(":focus")
            label = focused.get_attribute("aria-label") or focused.inner_text()
            if label.startswith(name):
                return
        pytest.fail(f"Tab never came to '{name}'")

    tab_to("Alarms")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Alarms", exact=True)).to_be_focused()
    tab_to("Acknowledge")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Acknowledge")).to_have_count(0)
    assert service.items("/alarms")[0]["state"] == "acknowledged"
    expect(page.get_by_role("heading", level=3)).to_be_focused()

    tab_to("Shelve")
    page.keyboard.press("Enter")
    tab_to("8 h")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Shelved and out of service")).to_be_visible()
    assert service.items("/alarms")[0]["state"] == "shelved"
    expect(page.get_by_role("heading", level=3)).to_be_focused()
    tab_to("Take off the shelf")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Take off the shelf")).to_have_count(0)
    tab_to("Out of service")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Why (needed)")).to_be_focused()
    page.keyboard.type("probe is being dried")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Return to service")).to_be_visible()
    alarm = service.items("/alarms")[0]
    assert (alarm["state"], alarm["reason"]) == ("out-of-service", "probe is being dried")
    assert watched.complaints == []
    watched.close()


def test_a_log_entry_is_made_in_two_taps(visitor: Watched, garden: Service) -> None:
    page = visitor.page
    page.goto("/bins/birch")
    page.get_by_role("button", name="Wetted", exact=True).tap()
    page.get_by_role("button", name="1.5 L", exact=True).tap()
    expect(page.locator(".log-list")).to_contain_text("Wetted 1.5 L")
    entry = garden.items("/log?subject=bin/birch")[0]
    assert (entry["kind"], entry["amount_l"]) == ("wetted", 1.5)
    assert visitor.complaints == []


def test_a_log_entry_may_say_what_which_corner_and_any_amount(visitor: Watched) -> None:
    page = visitor.page
    page.goto("/bins/birch")
    page.get_by_role("button", name="Fed", exact=True).tap()
    page.get_by_label("Another amount").fill("0.35")
    page.get_by_text("Add what, which corner, a note").tap()
    page.get_by_label("What", exact=True).fill("coffee grounds")
    page.get_by_role("button", name="back left").tap()
    page.get_by_role("button", name="Log it", exact=True).tap()
    expect(page.locator(".log-list")).to_contain_text("Fed 0.35 kg coffee grounds, back left")


def test_a_page_says_when_it_is_stale_and_catches_up_when_the_service_is_back(
    phone: Watched, service: Service
) -> None:
    furnish(service, alder=0)
    page = phone.page
    page.goto("/")
    card = page.get_by_role("listitem").filter(has=page.get_by_role("heading", name="Alder"))
    expect(card).to_contain_text("74 %")
    remember(page)
    service.stop()
    expect(page.get_by_role("alert").first).to_contain_text("Connection lost at")
    expect(card).to_contain_text("74 %")
    service.start()
    speak(service, "alder-1", 18.5, 69)
    expect(page.get_by_text("Connection lost at")).to_have_count(0)
    expect(card).to_contain_text("69 %")
    assert_not_reloaded(page)


def test_a_refusal_is_told_in_the_words_of_the_service(visitor: Watched) -> None:
    page = visitor.page
    page.goto("/bins/oak")
    expect(page.get_by_role("heading", name="Nothing under this lid")).to_be_visible()
    expect(page.locator("main")).to_contain_text("oak")
    page.get_by_role("link", name="To all bins").tap()
    expect(page.get_by_role("heading", name="Alder")).to_be_visible()


def test_the_chart_can_be_read_as_a_table_and_its_marks_opened(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, DESK)
    page = watched.page
    page.goto("/bins/alder")
    expect(page.locator(".chart canvas")).to_be_visible()
    drawn = "c => [...c.getContext('2d').getImageData(0, 0, c.width, c.height).data].some(v => v !== 0)"
    assert page.locator(".chart canvas").evaluate(drawn)
    page.get_by_role("button", name="Fed 0.8 kg leaves").or_(
        page.get_by_role("button", name="marks")
    ).first.click()
    expect(page.locator(".marks-open")).to_contain_text("Fed 0.8 kg leaves")
    page.get_by_role("button", name="6 h", exact=True).click()
    page.get_by_role("button", name="As a table").click()
    table = page.get_by_role("table").filter(has_text="Mean readings of Alder")
    expect(table.get_by_role("columnheader", name="Top moisture")).to_be_visible()
    expect(table).to_contain_text("18.5°")
    assert watched.complaints == []
    watched.close()


def test_the_screens_work_at_the_width_of_a_phone_zoomed_to_double(browser: Browser, garden: Service) -> None:
    """WCAG 2.2, 1.4.10 Reflow: no scrolling in two directions at 320 CSS pixels."""
    watched = Watched(browser, garden, {"width": 320, "height": 600})
    for path in ("/", "/bins/alder", "/feed-stores/tub", "/alarms", "/probes"):
        watched.page.goto(path)
        expect(watched.page.locator("main h1")).to_be_attached()
        assert too_wide(watched.page) == [], path
    watched.close()


def test_every_button_and_link_is_large_enough_for_a_wet_thumb(browser: Browser, garden: Service) -> None:
    """44 CSS pixels; marks on the chart and links in text have WCAG 2.2, 2.5.8: 24 pixels, or inline."""
    watched = Watched(browser, garden, PHONE)
    small = """() => [...document.querySelectorAll('button:not(.mark), .button, .tab, select, summary')]
        .filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 43.9)
        .map(e => e.outerHTML.slice(0, 120))"""
    for path in ("/", "/bins/alder", "/alarms", "/probes"):
        watched.page.goto(path)
        expect(watched.page.locator("main h1")).to_be_attached()
        assert watched.page.evaluate(small) == [], path
    watched.close()
