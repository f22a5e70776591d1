"""What a bin's own page forecasts, and how its limits are changed there."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from conftest import Service, started, wait_for
from underlid.rules.limits import LIMIT_NAMES
from web.screens import DESK, PHONE, Watched, axe_findings, backlog, furnish, too_wide


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """Alder, whose top has been drying by 0.6 % an hour and stands a little above its limit of 65 %."""
    with started(Service(tmp_path_factory.mktemp("garden") / "data")) as service:
        furnish(service, alder=12.1)
        backlog(service, "alder-1", [73.7 - i / 20 for i in range(144)])
        wait_for(lambda: any(p["forecast"] for p in positions(service)), "the forecast")
        yield service


def positions(service: Service) -> list[dict[str, object]]:
    condition = service.api("GET", "/bins/alder")["condition"]
    return condition["positions"] if condition else []  # type: ignore[index, no-any-return]


def test_the_chart_draws_the_forecast_and_tells_it_in_words(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, DESK)
    page = watched.page
    page.goto("/bins/alder")
    words = page.locator(".forecast-words")
    expect(words).to_contain_text("Top too dry in about")
    expect(words).to_contain_text(" to ")
    expect(page.locator(".chart canvas")).to_be_visible()
    page.wait_for_function("document.querySelector('.chart canvas').width > 300")
    # Right of now the lower lane, the temperature's, holds nothing but its grid; in the upper one stands the forecast.
    lanes = """c => Array.from({length: 38}, (_, i) => 0.75 + i * 0.0048).map(x =>
        [0, 0.5].map(top => c.getContext('2d')
            .getImageData(Math.round(c.width * x), c.height * top, 6, c.height * 0.45).data
            .filter((v, i) => i % 4 === 3 && v > 200).length))"""
    drawn = page.locator(".chart canvas").evaluate(lanes)
    bare = min(temperature for _, temperature in drawn)
    assert max(moisture for moisture, temperature in drawn if temperature == bare) > 1.5 * bare
    page.get_by_role("group", name="Moisture").get_by_role("button", name="top").click()
    expect(words).to_have_count(0)
    assert watched.complaints == []
    watched.close()


def test_a_limit_is_set_for_one_bin_and_given_back_to_the_species(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/bins/alder")
    row = page.locator(".limit-list li").filter(has_text="Too warm above")
    expect(row).to_contain_text("30 °C")
    expect(row).to_contain_text("set by the species")
    page.get_by_role("button", name="Change limits").tap()
    assert axe_findings(page) == []
    page.get_by_role("spinbutton", name="Too warm above").fill("20")
    page.get_by_role("spinbutton", name="Too cold below").fill("24")
    page.get_by_role("button", name="Save the limits").tap()
    # Limits that contradict each other are refused in words, and nothing typed is lost.
    refusal = page.get_by_role("alert").filter(has_text="must be below")
    expect(refusal).to_be_visible()
    page.get_by_role("spinbutton", name="Too cold below").fill("6")
    page.get_by_role("spinbutton", name="Too warm above").fill("27.5")
    page.get_by_role("button", name="Save the limits").tap()
    expect(row).to_contain_text("27.5 °C")
    expect(row).to_contain_text("set by you, for this bin")
    assert too_wide(page) == []

    page.get_by_role("button", name="Change limits").tap()
    page.get_by_role("button", name="Reset to what it inherits: Too warm above").tap()
    page.get_by_role("button", name="Save the limits").tap()
    expect(row).to_contain_text("30 °C")
    own = {each["name"] for each in garden.api("GET", "/bins/alder")["limits"] if each["origin"] == "bin"}  # type: ignore[attr-defined]
    assert own == {"temp_low_c"}
    page.get_by_role("button", name="All back to the species").tap()
    page.get_by_role("button", name="Yes, take them back").tap()
    expect(page.get_by_role("button", name="All back to the species")).to_have_count(0)
    origins = {each["origin"] for each in garden.api("GET", "/bins/alder")["limits"]}  # type: ignore[attr-defined]
    assert origins == {"species"}
    assert [c for c in watched.complaints if "422" not in c] == []
    watched.close()


def test_a_field_emptied_and_folded_away_is_shown_when_it_is_missed(
    browser: Browser, garden: Service
) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/bins/alder")
    page.get_by_role("button", name="Change limits").tap()
    fold = page.locator(".limit-form summary")
    depth = page.get_by_role("spinbutton", name="Depth of the top layer")
    fold.tap()
    depth.fill("")
    fold.tap()
    expect(depth).to_have_count(0)
    page.get_by_role("button", name="Save the limits").tap()
    expect(depth).to_be_focused()
    assert axe_findings(page) + too_wide(page) == []
    assert watched.complaints == []
    watched.close()


def test_every_limit_has_a_name_on_the_screen(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, PHONE, "dark")
    page = watched.page
    page.goto("/bins/alder")
    page.get_by_text("Delays, bands and assumptions").tap()
    names = page.locator(".limit-list .limit-name").all_inner_texts()
    assert len(names) == len(garden.api("GET", "/bins/alder")["limits"])  # type: ignore[arg-type]
    plain = {name.replace("_", " ") for name in LIMIT_NAMES}
    assert plain.isdisjoint(names)
    assert axe_findings(page) == []
    watched.close()
