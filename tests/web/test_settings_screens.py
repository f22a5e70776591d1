"""What each viewer chooses for their own screen: language, units, clock."""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from conftest import Service, started
from web.screens import DESK, PHONE, Watched, axe_findings, dry_out, furnish, too_wide


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with started(Service(tmp_path_factory.mktemp("garden") / "data")) as service:
        furnish(service, alder=2)
        dry_out(service, "alder")
        yield service


def test_units_are_those_of_the_viewer_on_every_screen_and_metric_in_the_log(
    browser: Browser, garden: Service
) -> None:
    watched = Watched(browser, garden, PHONE, locale="en-US")
    page = watched.page
    page.goto("/bins/alder")
    expect(page.locator(".layer-top")).to_contain_text("65.3°")  # 18.5 °C
    expect(page.locator(".advice").first).to_contain_text(" gal")
    expect(page.locator(".limit-list li").filter(has_text="Too warm above")).to_contain_text("86 °F")
    page.get_by_role("button", name="Wetted", exact=True).tap()
    page.get_by_role("button", name="0.5 gal", exact=True).tap()
    expect(page.locator(".log-list")).to_contain_text("Wetted 0.5 gal")
    entry = garden.items("/log?subject=bin/alder")[0]
    assert entry["amount_l"] == pytest.approx(1.8927, abs=1e-4)  # half a US gallon of 3.785411784 L
    page.get_by_role("button", name="Change limits").tap()
    page.get_by_role("spinbutton", name="Too warm above").fill("84.2")
    page.get_by_role("button", name="Save the limits").tap()
    expect(page.locator(".limit-list li").filter(has_text="Too warm above")).to_contain_text("84.2 °F")
    limits = garden.api("GET", "/bins/alder")["limits"]
    [limit] = [each for each in limits if each["name"] == "temp_high_c"]  # type: ignore[attr-defined]
    assert limit["value"] == pytest.approx(29)

    page.get_by_role("link", name="Settings").tap()
    page.get_by_label("°C").check()
    page.get_by_label("12 h").check()
    expect(page.locator(".link")).to_contain_text(re.compile(r"[AP]M"))
    page.get_by_label("24 h").check()
    expect(page.locator(".link")).not_to_contain_text(re.compile(r"[AP]M"))
    page.goto("/bins/alder")
    expect(page.locator(".layer-top")).to_contain_text("18.5°")
    assert watched.complaints == []
    watched.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_screens_speak_german_to_a_german_browser_and_another_language_by_choice(
    browser: Browser, garden: Service, scheme: str
) -> None:
    watched = Watched(browser, garden, PHONE if scheme == "light" else DESK, scheme, locale="de-AT")
    page = watched.page
    page.goto("/")
    expect(page.get_by_role("heading", name="Diese Deckel zuerst heben")).to_be_visible()
    expect(page.locator("html")).to_have_attribute("lang", "de")
    for path in ("/", "/bins/alder", "/alarms", "/probes", "/settings"):
        page.goto(path)
        expect(page.locator("main h1")).to_be_attached()
        expect(page.locator(".loading")).to_have_count(0)
        assert axe_findings(page) == [], path
        assert too_wide(page) == [], path
    expect(page.get_by_role("heading", name="Einstellungen")).to_be_visible()
    page.get_by_label("English").check()
    expect(page.get_by_role("heading", name="Settings")).to_be_visible()
    expect(page.get_by_label("English")).to_be_focused()
    page.reload()
    expect(page.get_by_role("heading", name="Settings")).to_be_visible()
    assert watched.complaints == []
    watched.close()
