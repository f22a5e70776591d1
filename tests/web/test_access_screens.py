"""Signing in, the owner's page, and what a screen does when its session ends."""

import re
from collections.abc import Iterator

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from conftest import Service, started, wait_for
from web.screens import DESK, PHONE, Watched, axe_findings, furnish, too_wide

PASSWORD = "grounds and trimmings"


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A furnished farm that is begun anew with accounts, and nobody in it yet."""
    with started(Service(tmp_path_factory.mktemp("garden") / "data")) as service:
        furnish(service, alder=2)
        service.stop()
        service.access = "accounts"
        service.start(wait=False)
        wait_for(lambda: "This link makes" in service.log, "the owner's link", 60)
        yield service


def of_the_service(complaints: list[str]) -> list[str]:
    """All but the browser's own word that an answer was 401."""
    return [each for each in complaints if "401" not in each]


def owners_link(garden: Service) -> str:
    [link] = re.findall(r"http://\S+/welcome#\S+", garden.log)[-1:]
    return str(link)


def sign_in(page: Page, name: str) -> None:
    page.goto("/")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("navigation", name="Main")).to_be_visible()


def test_from_the_link_in_the_terminal_to_somebody_invited(browser: Browser, garden: Service) -> None:
    owner = Watched(browser, garden, DESK)
    page = owner.page
    page.goto("/bins/alder")
    expect(page.get_by_text("The terminal in which the service was started")).to_be_visible()
    assert "Alder" not in page.content()

    page.goto("about:blank")
    page.goto(owners_link(garden))
    expect(page.get_by_role("heading", name="Make your account, as owner")).to_be_visible()
    assert axe_findings(page) == []
    page.get_by_label("Name").fill("Anna")
    page.get_by_label("New password").fill(PASSWORD)
    page.get_by_label("The same again").fill(PASSWORD + "x")
    page.get_by_role("button", name="Save and sign in").click()
    expect(page.get_by_role("heading", name="Make your account, as owner")).to_be_visible()
    page.get_by_label("The same again").fill(PASSWORD)
    page.get_by_role("button", name="Save and sign in").click()
    expect(page.get_by_role("heading", name="Alder")).to_be_visible()
    assert "welcome" not in page.url

    page.get_by_role("link", name="Settings").click()
    expect(page.get_by_text("Signed in as Anna, owner.")).to_be_visible()
    page.get_by_role("link", name="People and tokens").click()
    expect(page.get_by_role("heading", name="Anna")).to_be_visible()
    page.get_by_role("combobox", name="What they may do").select_option("viewer")
    page.get_by_role("button", name="Make a link").click()
    link = page.locator(".secret").inner_text()
    page.get_by_label("What it is for").fill("shed display")
    page.get_by_role("button", name="Make a token").click()
    expect(page.get_by_role("heading", name="shed display")).to_be_visible()
    token = page.locator(".secret").last.inner_text()
    shown = httpx.get(f"{garden.url}/api/v1/farm", headers={"Authorization": f"Bearer {token}"}, timeout=20)
    assert shown.status_code == 200
    expect(page.get_by_role("cell", name="POST /api/v1/tokens")).to_be_visible()
    assert axe_findings(page) == []
    assert too_wide(page) == []

    guest = Watched(browser, garden, PHONE, "dark")
    guest.page.goto(link)
    guest.page.get_by_label("Name").fill("Bert")
    guest.page.get_by_label("New password").fill(PASSWORD)
    guest.page.get_by_label("The same again").fill(PASSWORD)
    guest.page.get_by_role("button", name="Save and sign in").tap()
    expect(guest.page.get_by_role("heading", name="Alder")).to_be_visible()
    guest.page.goto("/users")
    expect(guest.page.get_by_text("Only an owner may see this page.")).to_be_visible()
    assert of_the_service(guest.complaints) == []
    guest.close()

    page.reload()
    expect(page.get_by_role("heading", name="Bert")).to_be_visible()
    page.get_by_role("button", name="Remove Bert").click()
    page.locator(".asking").get_by_role("button", name="Remove", exact=True).click()
    expect(page.get_by_role("heading", name="Bert")).to_have_count(0)
    assert of_the_service(owner.complaints) == []
    owner.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_screen_whose_session_ends_asks_for_a_sign_in_and_goes_on_where_it_was(
    browser: Browser, garden: Service, scheme: str
) -> None:
    phone = Watched(browser, garden, PHONE, scheme)
    page = phone.page
    sign_in(page, "Anna")
    page.goto("/bins/alder")
    expect(page.get_by_role("heading", name="Alder")).to_be_visible()
    before = len(page.request.get("/api/v1/log").json()["items"])
    there = {"Origin": garden.url}
    page.request.delete("/api/v1/session", headers=there)
    page.get_by_role("button", name="Wetted", exact=True).tap()
    page.get_by_role("button", name="0.5 L", exact=True).tap()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    assert axe_findings(page) == []
    assert too_wide(page) == []
    page.get_by_label("Name").fill("Anna")
    page.get_by_label("Password").fill("not the password")
    page.get_by_role("button", name="Sign in").tap()
    expect(page.get_by_text("Name or password is wrong.")).to_be_visible()
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").tap()
    # What was noted while nobody was signed in was kept, and is sent now.
    expect(page.get_by_role("navigation", name="Main")).to_be_visible()
    wait_for(lambda: len(page.request.get("/api/v1/log").json()["items"]) > before, "the entry")
    page.get_by_role("link", name="Settings").tap()
    leave = page.get_by_role("button", name="Sign out", exact=True)
    button, line = leave.bounding_box(), page.get_by_text("Signed in as Anna").bounding_box()
    assert button is not None
    assert line is not None
    assert button["y"] - (line["y"] + line["height"]) >= 8, "apart, so that each is seen for itself"
    leave.tap()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    kept = page.evaluate(
        "new Promise(done => { const r = indexedDB.open('underlid'); r.onsuccess = () => {"
        "const q = r.result.transaction('said').objectStore('said').getAllKeys();"
        "q.onsuccess = () => done(q.result) } })"
    )
    assert set(kept) <= {"session"}  # which says that nobody is signed in
    assert of_the_service(phone.complaints) == []
    phone.close()
