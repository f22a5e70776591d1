"""The log on a bin's page: written with a photo, corrected, deleted and taken back, with what the rules made of it."""

import io
from collections.abc import Iterator

import pytest
from PIL import Image
from playwright.sync_api import Browser, FilePayload, expect

from conftest import Service, started
from web.screens import DESK, PHONE, Watched, axe_findings, furnish, too_wide


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with started(Service(tmp_path_factory.mktemp("garden") / "data")) as service:
        furnish(service, alder=0, birch=0)
        yield service


def photo() -> FilePayload:
    out = io.BytesIO()
    Image.new("RGB", (2400, 1800), (96, 62, 34)).save(out, "JPEG")
    return {"name": "under-the-lid.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_an_entry_with_a_photo_is_corrected_deleted_and_taken_back(
    browser: Browser, garden: Service, size: dict[str, int]
) -> None:
    watched = Watched(browser, garden, size)
    page = watched.page
    page.goto("/bins/alder")
    page.get_by_role("button", name="Wetted", exact=True).click()
    page.locator(".log-entry input[type=file]").set_input_files(photo())
    expect(page.get_by_text("1 photo goes with it")).to_be_visible()
    page.get_by_role("button", name="1.5 L").click()
    entry = page.locator(".log-list > li:not(.log-gone)").filter(has_text="Wetted 1.5 L").first
    expect(entry.locator("img")).to_have_js_property("complete", value=True)
    assert entry.locator("img").evaluate("image => image.naturalWidth") == 320

    entry.locator("summary").click()
    expect(entry).to_contain_text("readings out of bounds raise no alarm until")
    expect(entry).to_contain_text("Drying is reckoned anew from")
    assert axe_findings(page) == []
    entry.get_by_role("button", name="Correct: Wetted 1.5 L").click()
    page.get_by_label("How much, L").fill("1.2")
    page.get_by_label("Note", exact=True).fill("half the can")
    assert axe_findings(page) + too_wide(page) == []
    page.get_by_role("button", name="Save the correction").click()
    entry = page.locator(".log-list > li:not(.log-gone)").filter(has_text="Wetted 1.2 L").first
    expect(entry).to_contain_text("half the can")
    expect(entry).to_contain_text("corrected")
    expect(entry.locator(".log-details")).to_contain_text("Wetted 1.5 L")

    entry.get_by_role("button", name="Delete: Wetted 1.2 L").click()
    expect(entry).to_have_count(0)
    page.get_by_role("button", name="Undo: Wetted 1.2 L").click()
    expect(entry).to_be_visible()
    expect(entry.locator("img")).to_be_visible()

    entry.locator("summary").click()
    entry.get_by_role("button", name="Delete: Wetted 1.2 L").click()
    expect(entry).to_have_count(0)
    page.reload()
    # by the keyboard: what loads above moves it from under the mouse
    page.locator(".log-deleted > summary").press("Enter")
    page.get_by_role("button", name="Bring back: Wetted 1.2 L").first.click()
    expect(entry).to_be_visible()
    assert too_wide(page) == []
    assert axe_findings(page) == []

    # For good, so that the next size starts from nothing.
    entry.locator("summary").click()
    page.get_by_role("button", name="Delete photo: Wetted 1.2 L").click()
    page.get_by_role("button", name="Yes, delete the photo").click()
    expect(entry.locator("img")).to_have_count(0)
    page.get_by_role("button", name="Delete: Wetted 1.2 L").click()
    expect(entry).to_have_count(0)
    assert watched.complaints == []
    watched.close()


def test_an_entry_of_the_wrong_bin_goes_to_the_right_one(browser: Browser, garden: Service) -> None:
    garden.api(
        "POST", "/log", subject={"kind": "bin", "id": "alder"}, kind="fed", amount_kg=2, corner="back left"
    )
    watched = Watched(browser, garden, PHONE, "dark")
    page = watched.page
    page.goto("/bins/alder")
    page.locator(".log-list summary").filter(has_text="Fed 2 kg").tap()
    page.get_by_role("button", name="Correct: Fed 2 kg").tap()
    page.get_by_label("Where").select_option(label="Birch")
    page.get_by_role("button", name="Save the correction").tap()
    expect(page.locator(".log-list summary").filter(has_text="Fed 2 kg")).to_have_count(0)
    page.goto("/bins/birch")
    entry = page.locator(".log-list > li:not(.log-gone)").filter(has_text="Fed 2 kg")
    entry.locator("summary").tap()
    expect(entry).to_contain_text("Watched for heating until")
    # What can't be is refused in words, and what was typed stays.
    page.get_by_role("button", name="Correct: Fed 2 kg").tap()
    page.get_by_label("When").fill("2099-01-01T06:10")
    page.get_by_role("button", name="Save the correction").tap()
    expect(page.get_by_role("alert").filter(has_text="lies in the future")).to_be_visible()
    expect(page.get_by_label("When")).to_have_value("2099-01-01T06:10")
    assert axe_findings(page) == []
    # A year with a digit too many does not get as far as that, and leaves the form as it is.
    page.get_by_label("When").fill("20265-01-01T06:10")
    page.get_by_role("button", name="Save the correction").tap()
    expect(page.get_by_label("When")).to_be_focused()
    page.get_by_label("When").evaluate("field => field.removeAttribute('max')")
    page.get_by_role("button", name="Save the correction").tap()
    expect(page.get_by_role("alert").filter(has_text="A year has four digits")).to_be_visible()
    page.get_by_label("When").fill("2026-01-01T06:10")
    page.get_by_role("button", name="Save the correction").tap()
    expect(page.get_by_label("When")).to_have_count(0)
    assert garden.items("/log?subject=bin/birch&kind=fed")[0]["at"] == "2026-01-01T06:10:00.000Z"
    assert [c for c in watched.complaints if "422" not in c] == []
    watched.close()


def test_a_photo_that_waits_to_be_sent_is_shown_with_its_entry_until_it_has_gone_out(
    browser: Browser, garden: Service
) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/round")  # which works without the service once it was opened
    expect(page.get_by_role("heading", name="Today's round")).to_be_visible()
    expect(page.locator(".loading")).to_have_count(0)
    page.get_by_role("link", name="Bins", exact=True).tap()
    page.get_by_role("link", name="Birch", exact=True).tap()
    page.get_by_role("button", name="Turned", exact=True).tap()
    page.locator(".log-entry input[type=file]").set_input_files(photo())
    expect(page.get_by_text("1 photo goes with it")).to_be_visible()
    watched.context.set_offline(True)
    page.get_by_role("button", name="Log it", exact=True).tap()
    waiting = page.locator(".log li").filter(has_text="Turned")
    expect(waiting).to_contain_text("1 photo waits to be sent")
    expect(waiting.get_by_role("img", name="Photo: Turned")).to_have_js_property("complete", value=True)
    assert waiting.locator("img").evaluate("image => image.naturalWidth") > 0
    assert axe_findings(page) + too_wide(page) == []
    page.get_by_role("link", name="Round").tap()
    expect(page.locator(".waiting-entries img")).to_be_visible()
    watched.context.set_offline(False)
    expect(page.locator(".waiting-entries")).to_have_count(0)
    page.goto("/bins/birch")
    expect(waiting.locator("a img")).to_be_visible()
    expect(waiting).not_to_contain_text("waits to be sent")
    assert len(garden.items("/log?subject=bin/birch&kind=turned")[0]["photos"]) == 1  # type: ignore[arg-type]
    assert [c for c in watched.complaints if "ERR_INTERNET_DISCONNECTED" not in c] == []
    watched.close()


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (DESK, "dark")])
def test_while_more_is_being_said_an_amount_is_chosen_and_not_yet_logged(
    browser: Browser, garden: Service, size: dict[str, int], scheme: str
) -> None:
    before = len(garden.items("/log?subject=bin/birch&kind=fed"))
    watched = Watched(browser, garden, size, scheme)
    page = watched.page
    page.goto("/bins/birch")
    page.get_by_role("button", name="Fed", exact=True).click()
    page.locator(".log-entry").get_by_text("Add what, which corner, a note").click()
    half, whole = (page.get_by_role("button", name=words, exact=True) for words in ("0.5 kg", "1 kg"))
    half.click()
    expect(half).to_have_attribute("aria-pressed", "true")
    whole.click()
    expect(whole).to_have_attribute("aria-pressed", "true")
    expect(half).to_have_attribute("aria-pressed", "false")
    page.get_by_label("What", exact=True).fill("leaves")
    page.get_by_role("button", name="back left", exact=True).click()
    assert axe_findings(page) + too_wide(page) == []
    assert len(garden.items("/log?subject=bin/birch&kind=fed")) == before
    page.get_by_role("button", name="Log it", exact=True).click()
    expect(page.get_by_role("status").filter(has_text="Noted: Fed 1 kg leaves, back left")).to_be_visible()
    assert len(garden.items("/log?subject=bin/birch&kind=fed")) == before + 1
    assert watched.complaints == []
    watched.close()


def test_a_key_pressed_twice_does_not_take_back_what_it_opened(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, DESK)
    page = watched.page
    page.clock.install()
    page.goto("/bins/birch")
    form = page.locator(".log-form")
    more, fewer = (form.get_by_role("button", name=words, exact=True) for words in ("More", "Fewer"))
    expect(more).to_be_visible()
    page.clock.pause_at(page.evaluate("Date.now() + 2000"))  # no moment passes before the next press
    more.press("Enter")
    expect(fewer).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Space")
    expect(fewer).to_be_disabled()
    page.clock.run_for(700)
    expect(fewer).to_be_enabled()
    page.keyboard.press("Enter")
    expect(more).to_be_visible()
    assert watched.complaints == []
    watched.close()
