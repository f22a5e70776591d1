"""Every page as it comes and with what can be opened on it: axe-core finds nothing, and nothing is too wide."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.web.inside import NOW_MS, running
from tests.web.people import person

from conftest import Service, started, wait_for
from underlid.access import accounts
from underlid.access.roles import Role
from web.screens import DESK, PHONE, Watched, axe_findings, dry_out, furnish, publish, speak, too_wide
from web.visits import VISITS, pages

SIZES = pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
SCHEMES = pytest.mark.parametrize("scheme", ["light", "dark"])


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """Alder too dry and twice measured, Birch with raw moisture, a tub, a stray probe, one retired, nonsense."""
    with started(Service(tmp_path_factory.mktemp("garden") / "data")) as service:
        settle(service)
        yield service


def settle(service: Service) -> None:
    furnish(service, alder=2, birch=0)
    service.api("POST", "/feed-stores", id="tub", name="North tub", place_id="shed")
    speak(service, "tub-1", -3.5, 0)
    speak(service, "alder-2", 18.0, 70)
    speak(service, "stray-1", 20.5, 70)
    speak(service, "old-1", 20.5, 70)
    publish(service, "raw-1", '{"moist": {"v": 2300, "u": "count"}}')
    publish(service, "raw-2", '[{"n":"moist","u":"count","v":2300}]')
    publish(service, "nonsense", '{"temp": "warm"}')
    wait_for(lambda: len(service.items("/probes")) == 7, "the probes")
    place(service, "tub-1", "feed-store/tub", "feed")
    place(service, "alder-2", "bin/alder", "top")
    place(service, "raw-2", "bin/birch", "core")
    service.api("POST", "/probes/old-1/retire")
    first, second = (channel_of(service, probe, "temperature") for probe in ("alder-1", "alder-2"))
    service.api("PUT", f"/channels/{first}/twin", channel=second)
    alder = {"kind": "bin", "id": "alder"}
    service.api("POST", "/log", subject=alder, kind="fed", amount_kg=0.8, what="leaves")
    dry_out(service, "alder")


def place(service: Service, probe: str, where: str, position: str) -> None:
    kind, _, id_ = where.partition("/")
    service.api("POST", f"/probes/{probe}/placement", subject={"kind": kind, "id": id_}, position=position)


def channel_of(service: Service, probe: str, quantity: str) -> int:
    [found] = [
        c["id"] for c in service.api("GET", f"/probes/{probe}")["channels"] if c["quantity"] == quantity
    ]  # type: ignore[attr-defined]
    return int(found)


def press(page: Page, *names: str) -> None:
    for name in names:
        page.get_by_role("button", name=name, exact=True).first.click()


def open_bins(page: Page) -> None:
    press(page, "Add a bin")
    page.get_by_label("In which place").select_option("new")


def open_bin(page: Page) -> None:
    press(page, "Wetted", "As a table", "Change limits", "Edit this bin")
    page.locator(".log-list summary").first.click()
    press(page, "Correct: Fed 0.8 kg leaves")


def open_round(page: Page) -> None:
    press(page, "List these too", "Note something else: Alder")


def open_alarms(page: Page) -> None:
    press(page, "Shelve")
    page.get_by_text("Readings and history").first.click()


def open_probes(page: Page) -> None:
    press(page, "Place it")
    page.get_by_label("Where does it sit?").select_option("bin/new")
    press(page, "Retire")
    page.get_by_text("Messages that could not be used").click()
    expect(page.locator(".rejects")).to_contain_text("'temp' is no finite number")
    page.locator("details.how").last.evaluate("e => { e.open = true; }")


def open_reports(page: Page) -> None:
    page.locator("select").nth(1).select_option("bin/alder")
    expect(page.get_by_role("table").first).to_be_visible()


def open_replay(page: Page) -> None:
    press(page, "Replay")
    expect(page.get_by_text("The rules run over the past")).to_have_count(0)


def open_users(page: Page) -> None:
    press(page, "Make a link")
    known = page.locator(".person").count()
    page.get_by_label("What it is for").fill(f"display {known}")
    press(page, "Make a token")
    expect(page.locator(".person")).to_have_count(known + 1)


# What a visitor may open there; elsewhere there is nothing to open.
OPENED: dict[str, Callable[[Page], None]] = {
    "bins": open_bins,
    "bin": open_bin,
    "feed-store": lambda page: press(page, "Fed", "Edit this feed store"),
    "round": open_round,
    "alarms": open_alarms,
    "probes": open_probes,
    "reports": open_reports,
    "settings": lambda page: press(page, "Change: My worm bins", "Limits: Potting shed", "Add a place"),
    "replay": open_replay,
    "users": open_users,
}


def test_every_page_has_a_visit() -> None:
    assert set(VISITS) == pages()


@SCHEMES
@SIZES
def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(
    browser: Browser, garden: Service, size: dict[str, int], scheme: str
) -> None:
    raw = channel_of(garden, "raw-2", "moisture-raw")
    watched = Watched(browser, garden, size, scheme)
    page = watched.page
    found = []
    for name, address in VISITS.items():
        path = address.format(raw=raw)
        page.goto(path)
        expect(page.locator("main h1")).to_be_attached()
        expect(page.locator(".loading")).to_have_count(0)
        found += [f"{path}: {finding}" for finding in axe_findings(page) + too_wide(page)]
        if name in OPENED:
            OPENED[name](page)
            found += [f"{path}, opened: {finding}" for finding in axe_findings(page) + too_wide(page)]
    assert not found, "\n".join(found)
    assert [c for c in watched.complaints if "404" not in c] == []
    watched.close()


@SCHEMES
@SIZES
def test_axe_finds_nothing_where_one_signs_in_or_makes_an_account(
    browser: Browser, tmp_path: Path, size: dict[str, int], scheme: str
) -> None:
    with running(tmp_path, sign_in=True) as inside:
        person(inside, "Anna", Role.OWNER)
        with inside.ledger.writing() as connection:
            secret = accounts.invite(connection, Role.KEEPER, NOW_MS)
        watched = Watched(browser, inside, size, scheme)
        page = watched.page
        for path, heading in (("/", "Sign in"), (f"/welcome#{secret}", "Make your account, as keeper")):
            page.goto(path)
            expect(page.get_by_role("heading", name=heading)).to_be_visible()
            assert axe_findings(page) + too_wide(page) == [], path
        watched.close()
