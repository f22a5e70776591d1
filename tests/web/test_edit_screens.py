"""Bins, feed stores, places and the farm are added and changed on the screen, by those who may."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect
from tests.web.inside import Inside, running
from tests.web.people import person

from conftest import Service, started
from underlid.access.roles import Role
from underlid.rules.limits import SPECIES
from web.screens import DESK, PHONE, Watched, axe_findings, furnish, too_wide

SIZES = pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
ASSUMED = "taken as long as no other"


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[Service]:
    """Alder in a shed, of which nobody has said how large it is, and a tub."""
    with started(Service(tmp_path / "data")) as service:
        furnish(service, alder=0)
        service.api("POST", "/feed-stores", id="tub", name="North tub", place_id="shed")
        yield service


def fact(page: Page, name: str) -> Locator:
    return page.locator(".facts dl > div").filter(has=page.get_by_text(name, exact=True))


def save(page: Page, name: str = "Save") -> None:
    assert axe_findings(page) + too_wide(page) == []
    page.locator(".asking").get_by_role("button", name=name, exact=True).click()


@SIZES
def test_a_bin_is_told_of_and_only_what_is_changed_is_sent(
    browser: Browser, garden: Service, size: dict[str, int]
) -> None:
    watched = Watched(browser, garden, size, locale="en-US")
    page = watched.page
    page.goto("/bins/alder")
    expect(fact(page, "Worms")).to_contain_text("reckoned on from 0.88 lb")  # 0.4 kg
    expect(fact(page, "Worms")).to_contain_text(ASSUMED)
    expect(fact(page, "Size")).to_contain_text(ASSUMED)
    page.get_by_role("button", name="Edit this bin").click()
    species = page.get_by_label("Species").locator("option")
    assert tuple(species.evaluate_all("all => all.map(each => each.value)")) == SPECIES
    page.get_by_label("Name of the bin").fill("Old Alder")
    page.get_by_label("In which place").select_option("A new place …")
    page.get_by_label("Name of that place").fill("Lean-to")
    page.get_by_label("outdoors").check()
    page.get_by_label("Species").select_option("Dendrobaena veneta")
    expect(page.get_by_label("Length, cm")).to_have_value("60")
    page.get_by_label("Length, cm").fill("82.5")
    page.get_by_label("Worms at the start, lb").fill("2")
    page.get_by_label("Started on").fill("2026-03-01")
    save(page)
    expect(page.get_by_role("status").filter(has_text="Saved.")).to_be_visible()
    expect(page.get_by_role("heading", name="Old Alder")).to_be_visible()
    expect(page.get_by_text("in Lean-to")).to_be_visible()
    expect(page.get_by_role("button", name="Edit this bin")).to_be_focused()
    expect(page.locator(".asking")).to_have_count(0)
    expect(fact(page, "Worms")).to_contain_text("from 2 lb, given for the bin as of March 1, 2026")
    expect(fact(page, "Size")).to_contain_text("83 × 40 × 30 cm")
    expect(page.locator(".facts")).not_to_contain_text(ASSUMED)
    expect(fact(page, "Species")).to_contain_text("Dendrobaena veneta")
    kept = garden.api("GET", "/bins/alder")
    assert (kept["length_m"], kept["width_m"], kept["depth_m"]) == (0.825, 0.4, 0.3)
    assert kept["worm_kg"] == pytest.approx(2 * 0.45359237)
    assert kept["started"] == "2026-03-01T00:00:00.000Z"  # the farm's clocks are those of UTC
    assert garden.api("GET", "/places/lean-to")["outdoors"] is True
    with page.expect_request(lambda request: request.method == "PATCH") as sent:
        page.get_by_role("button", name="Edit this bin").click()
        page.get_by_label("Depth, cm").fill("25")
        save(page)
    assert sent.value.post_data_json == {"depth_m": 0.25}
    assert watched.complaints == []
    watched.close()


@SIZES
def test_what_the_service_refuses_is_told_in_the_form_and_nothing_typed_is_lost(
    browser: Browser, garden: Service, size: dict[str, int]
) -> None:
    garden.api("PATCH", "/bins/alder", limits={"moist_target_pct_wb": 67})
    watched = Watched(browser, garden, size)
    page = watched.page
    page.goto("/bins/alder")
    page.get_by_role("button", name="Edit this bin").click()
    page.get_by_label("Species").select_option("Eudrilus eugeniae")  # for them that is too dry
    page.get_by_label("Depth, cm").fill("400")
    save(page)  # the browser itself says that this is too deep
    expect(page.get_by_label("Depth, cm")).to_be_focused()
    page.get_by_label("Depth, cm").fill("28")
    save(page)
    expect(page.locator(".asking").get_by_role("alert")).to_contain_text("Limits for Alder")
    expect(page.get_by_label("Depth, cm")).to_have_value("28")
    assert axe_findings(page) + too_wide(page) == []
    assert garden.api("GET", "/bins/alder")["depth_m"] == 0.3
    page.get_by_role("button", name="Leave it").click()
    expect(page.get_by_role("button", name="Edit this bin")).to_be_focused()
    expect(page.locator(".asking")).to_have_count(0)
    assert [c for c in watched.complaints if "422" not in c] == []
    watched.close()


@SIZES
def test_a_feed_store_is_told_of(browser: Browser, garden: Service, size: dict[str, int]) -> None:
    watched = Watched(browser, garden, size)
    page = watched.page
    page.goto("/feed-stores/tub")
    told = page.locator(".now .hint")
    expect(told).to_contain_text(f"30 cm across, filled 35 cm deep: {ASSUMED}")
    page.get_by_role("button", name="Edit this feed store").click()
    page.get_by_label("Name of the feed store").fill("South tub")
    page.get_by_label("Diameter, cm").fill("45")
    page.get_by_label("Filled how deep, cm").fill("12.5")
    save(page)
    expect(page.get_by_role("heading", name="South tub")).to_be_visible()
    expect(told).to_have_text(re.compile("45.cm across, filled 13.cm deep$"))
    kept = garden.api("GET", "/feed-stores/tub")
    assert (kept["diameter_m"], kept["fill_depth_m"], kept["place_id"]) == (0.45, 0.125, "shed")
    assert watched.complaints == []
    watched.close()


@SIZES
def test_a_bin_is_added_to_an_empty_farm_and_a_feed_store_beside_it(
    browser: Browser, service: Service, size: dict[str, int]
) -> None:
    watched = Watched(browser, service, size)
    page = watched.page
    page.goto("/")
    page.get_by_role("button", name="Add a bin").click()
    page.get_by_label("Name of the bin").fill("Alder")
    page.get_by_label("Name of that place").fill("Potting shed")
    page.get_by_label("Length, cm").fill("80")
    save(page, "Add this bin")
    expect(page.get_by_role("heading", name="Alder", exact=True)).to_be_focused()
    expect(page.get_by_role("status").filter(has_text="Alder is added")).to_be_visible()
    expect(page.get_by_role("link", name="Place a probe")).to_be_visible()
    expect(fact(page, "Size")).to_contain_text("80 × 40 × 30 cm")
    page.get_by_role("link", name="All bins", exact=True).click()
    page.get_by_role("button", name="Add a feed store").click()
    expect(page.get_by_label("Name of the bin")).to_have_count(0)
    page.get_by_label("Name of the feed store").fill("North tub")
    expect(page.get_by_label("In which place")).to_have_value("potting-shed")
    save(page, "Add this feed store")
    expect(page.get_by_role("heading", name="North tub")).to_be_focused()
    # Of the same name again: another one.
    page.get_by_role("link", name="All bins", exact=True).click()
    page.get_by_role("button", name="Add a bin").click()
    page.get_by_label("Name of the bin").fill("Alder")
    save(page, "Add this bin")
    expect(page.get_by_role("heading", name="Alder", exact=True)).to_be_focused()
    bins = {bin_["id"]: service.api("GET", f"/bins/{bin_['id']}") for bin_ in service.items("/bins")}
    assert set(bins) == {"alder", "alder-2"}
    assert bins["alder"]["length_m"] == 0.8
    assert bins["alder"]["assumed"] == ["width_m", "depth_m", "worm_kg"]
    assert [store["id"] for store in service.items("/feed-stores")] == ["north-tub"]
    assert watched.complaints == []
    watched.close()


@SIZES
def test_the_farm_and_its_places_are_changed_in_the_settings(
    browser: Browser, garden: Service, size: dict[str, int]
) -> None:
    watched = Watched(browser, garden, size)
    page = watched.page
    page.goto("/settings")
    page.get_by_role("button", name="Change: My worm bins").click()
    page.get_by_label("Name of the farm").fill("Walled garden")
    page.get_by_label("Time zone").fill("Europe/Nowhere")
    save(page)
    expect(page.locator(".asking").get_by_role("alert")).to_contain_text("not an IANA time zone")
    page.get_by_label("Time zone").fill("Asia/Tokyo")
    save(page)
    expect(page.get_by_role("banner")).to_contain_text("Walled garden")
    expect(page.get_by_text("Times are those of the farm (Asia/Tokyo).")).to_be_visible()
    farm = garden.api("GET", "/farm")
    assert (farm["name"], farm["time_zone"]) == ("Walled garden", "Asia/Tokyo")

    page.get_by_role("button", name="Change: Potting shed").click()
    page.get_by_label("Name of the place").fill("Lean-to")
    page.get_by_label("outdoors").check()
    save(page)
    expect(page.locator(".farm-details li")).to_contain_text("Lean-to, outdoors")
    expect(page.get_by_role("button", name="Change: Lean-to")).to_be_focused()
    page.get_by_role("button", name="Add a place").click()
    page.get_by_label("Name of the place").fill("Cellar")
    save(page)
    expect(page.locator(".farm-details li")).to_have_count(2)
    places = {place["id"]: (place["name"], place["outdoors"]) for place in garden.items("/places")}
    assert places == {"shed": ("Lean-to", True), "cellar": ("Cellar", False)}
    assert [c for c in watched.complaints if "422" not in c] == []
    watched.close()


@SIZES
def test_limits_of_the_farm_and_of_a_place_hold_for_the_bins_in_them(
    browser: Browser, garden: Service, size: dict[str, int]
) -> None:
    watched = Watched(browser, garden, size)
    page = watched.page
    page.goto("/settings")
    page.get_by_role("button", name="Limits: My worm bins").click()
    page.get_by_role("spinbutton", name="Too warm above").fill("27.5")
    page.get_by_role("spinbutton", name="Too cold below").fill("6")
    assert axe_findings(page) + too_wide(page) == []
    page.get_by_role("button", name="Save the limits").click()
    expect(page.get_by_role("button", name="Limits: My worm bins")).to_be_focused()
    assert garden.api("GET", "/farm")["limits"] == {"temp_high_c": 27.5, "temp_low_c": 6}

    page.get_by_role("button", name="Limits: Potting shed").click()
    warm = page.locator(".limit-fields li").filter(has_text="Too warm above")
    expect(warm).to_contain_text("set by the farm")
    page.get_by_role("spinbutton", name="Too warm above").fill("5")  # colder than too cold
    page.get_by_role("button", name="Save the limits").click()
    expect(page.locator(".asking").get_by_role("alert")).to_contain_text("temp_high_c")
    page.get_by_role("spinbutton", name="Too warm above").fill("26")
    page.get_by_role("button", name="Save the limits").click()
    expect(page.locator(".limit-form")).to_have_count(0)
    # The farm's value is given back; that of the place is its own.
    page.get_by_role("button", name="Limits: My worm bins").click()
    page.get_by_role("button", name="Reset to what it inherits: Too warm above").click()
    page.get_by_role("button", name="Save the limits").click()
    expect(page.locator(".limit-form")).to_have_count(0)
    page.goto("/bins/alder")
    rows = page.locator(".limit-list li")
    expect(rows.filter(has_text="Too warm above")).to_contain_text(re.compile("26.°C.*set by the place"))
    expect(rows.filter(has_text="Too cold below")).to_contain_text(re.compile("6.°C.*set by the farm"))
    assert garden.api("GET", "/farm")["limits"] == {"temp_low_c": 6}
    assert [c for c in watched.complaints if "422" not in c] == []
    watched.close()


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    with running(tmp_path, sign_in=True) as there:
        yield there


@SIZES
def test_a_viewer_reads_all_of_it_and_changes_nothing(
    browser: Browser, inside: Inside, size: dict[str, int]
) -> None:
    watched = Watched(browser, inside, size)
    page = watched.page
    who = person(inside, "Anna", Role.VIEWER)
    watched.context.add_cookies([{"name": "underlid", "value": who.cookie, "url": inside.url}])
    for path, told in (
        ("/bins/alder", "Only a keeper may change the bin."),
        ("/feed-stores/tub", "Only a keeper may change the feed store."),
        ("/settings", "Only a keeper may change the farm and its places."),
        ("/", "Lift these lids first"),
    ):
        page.goto(path)
        expect(page.get_by_text(told)).to_be_visible()
        offered = page.get_by_role("button", name=re.compile("^(Edit|Add|Change: |Limits: )"))
        expect(offered).to_have_count(0)
    assert watched.complaints == []
    watched.close()
