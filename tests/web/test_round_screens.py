"""The round: what is ticked is logged, without the network too, each entry once and in order."""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from conftest import Service, started, wait_for
from web.screens import DESK, PHONE, Watched, axe_findings, dry_out, furnish, too_wide

BINS = ("alder", "birch", "cherry", "elder", "hazel")


@pytest.fixture
def garden(service: Service) -> Service:
    """Five bins, Alder too dry."""
    furnish(service, **{name: 2.0 if name == "alder" else 0.0 for name in BINS})
    dry_out(service, "alder")
    return service


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """The same bins for the tests that only look."""
    with started(Service(tmp_path_factory.mktemp("garden") / "data")) as service:
        furnish(service, **{name: 2.0 if name == "alder" else 0.0 for name in BINS})
        dry_out(service, "alder")
        yield service


def kept_by_the_browser(page: Page) -> None:
    """Waits until the page itself is kept, and the answers it shows."""
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.wait_for_function("caches.match('/').then(kept => kept !== undefined)")


def stop_of(page: Page, name: str) -> Locator:
    return page.locator(".stop").filter(has=page.get_by_role("heading", name=name))


def test_ticking_a_task_logs_it_with_the_advised_amount(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/")
    page.get_by_role("link", name="Round", exact=True).tap()
    expect(page.get_by_role("heading", name="Today's round")).to_be_focused()
    alder = stop_of(page, "Alder")
    expect(alder).to_contain_text("too dry")
    expect(alder).to_contain_text("Look for a dry crust")
    [alarm] = garden.items("/alarms")
    advised = round(alarm["amounts"]["water_l"], 1)  # type: ignore[index]
    expect(page.locator(".carry")).to_contain_text(f"{advised:g} L of water")
    alder.get_by_role("checkbox").check()
    expect(page.get_by_role("status").filter(has_text="Noted: Wetted")).to_be_visible()
    [entry] = garden.items("/log?subject=bin/alder")
    assert (entry["kind"], entry["amount_l"]) == ("wetted", advised)
    page.reload()
    expect(page.get_by_role("checkbox").first.or_(page.locator(".round-gone"))).to_be_visible()
    assert garden.items("/log?subject=bin/alder") == [entry]
    assert watched.complaints == []
    watched.close()


def test_ten_entries_made_without_the_network_arrive_once_each_in_order(
    browser: Browser, garden: Service
) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/round")
    expect(stop_of(page, "Alder")).to_be_visible()
    kept_by_the_browser(page)
    # The network is cut in the browser, and for good measure the service is gone as well.
    watched.context.set_offline(True)
    garden.stop()

    made: list[tuple[str, str]] = []
    page.get_by_role("button", name="List these too").tap()
    page.get_by_role("checkbox", name=re.compile("Alder")).check()
    made.append(("alder", "wetted"))
    for name in BINS[1:]:
        page.get_by_role("checkbox", name=re.compile(name, re.IGNORECASE)).check()
        made.append((name, "lid"))
        expect(page.get_by_text(f"{len(made)} entries wait to be sent").first).to_be_attached()
    page.reload()
    expect(page.get_by_text("5 entries wait to be sent").first).to_be_attached()
    expect(page.get_by_text("Connection lost at")).to_be_visible()
    expect(page.get_by_role("checkbox", name=re.compile("Alder"))).to_be_checked()
    for name in BINS:
        page.goto(f"/round?again={name}")
        if name != "alder":
            page.get_by_role("button", name="List these too").tap()
        stop = stop_of(page, name.capitalize())
        stop.get_by_role("button", name="Note something else").tap()
        stop.get_by_role("button", name="Wetted", exact=True).tap()
        stop.get_by_role("button", name="0.5 L", exact=True).tap()
        made.append((name, "wetted"))
        expect(page.get_by_text(f"{len(made)} entries wait to be sent").first).to_be_attached()
    assert axe_findings(page) == []
    assert too_wide(page) == []
    page.reload()
    expect(page.get_by_text("10 entries wait to be sent").first).to_be_attached()

    garden.start()
    assert garden.items("/log") == []
    watched.context.set_offline(False)
    wait_for(lambda: len(garden.items("/log")) >= len(made), "the ten entries", 60)
    expect(page.get_by_text("wait to be sent")).to_have_count(0)
    entries = list(reversed(garden.items("/log")))
    assert [(e["subject"]["id"], e["kind"]) for e in entries] == made  # type: ignore[index]
    assert [e["id"] for e in entries] == sorted(int(str(e["id"])) for e in entries)
    assert len({e["key"] for e in entries}) == len(made)
    watched.close()


def test_what_another_noted_meanwhile_and_what_the_service_refuses_are_told(
    browser: Browser, shared: Service
) -> None:
    watched = Watched(browser, shared, DESK, "dark")
    page = watched.page
    page.goto("/round")
    expect(stop_of(page, "Alder")).to_be_visible()
    watched.context.set_offline(True)
    page.get_by_role("checkbox", name=re.compile("Alder")).check()
    expect(page.get_by_text("1 entry waits to be sent").first).to_be_attached()
    shared.api("POST", "/log", subject={"kind": "bin", "id": "alder"}, kind="wetted", amount_l=2)
    watched.context.set_offline(False)
    told = page.locator(".trouble")
    expect(told).to_contain_text("Noted by somebody else too")
    expect(told).to_contain_text("Wetted 2 L")
    assert len(shared.items("/log?subject=bin/alder")) == 2
    assert axe_findings(page) == []
    told.get_by_role("button", name="Understood").click()
    expect(told).to_have_count(0)

    # An entry for a bin that is not there, as one may wait on a device for long.
    page.evaluate("""() => new Promise((resolve, reject) => {
        const open = indexedDB.open('underlid');
        open.onerror = reject;
        open.onsuccess = () => {
            const subject = {kind: 'bin', id: 'gone'}, at = '2026-01-02T03:04:05Z';
            const entry = {subject, at, kind: 'turned', key: 'gone-1'};
            const writing = open.result.transaction('queue', 'readwrite');
            writing.objectStore('queue').add({entry, late: true, trouble: null});
            writing.oncomplete = resolve;
        };
    })""")
    page.reload()
    expect(told).to_contain_text("There is no bin 'gone'")
    told.get_by_role("button", name="Drop it").click()
    expect(told).to_have_count(0)
    page.reload()
    expect(stop_of(page, "Alder").or_(page.locator(".round-gone"))).to_be_visible()
    expect(told).to_have_count(0)
    watched.close()


def test_what_is_ticked_stays_so_in_another_language(browser: Browser, shared: Service) -> None:
    watched = Watched(browser, shared, PHONE)
    page = watched.page
    page.goto("/round")
    page.get_by_role("button", name="List these too").tap()
    page.get_by_role("checkbox", name=re.compile("Birch")).check()
    expect(page.get_by_role("status").filter(has_text="Noted: Lid opened")).to_be_attached()
    page.goto("/settings")
    page.get_by_label("Deutsch").check()
    expect(page.get_by_role("heading", name="Einstellungen")).to_be_visible()
    page.goto("/round")
    page.get_by_role("button", name="Diese auch auflisten").tap()
    expect(page.get_by_role("checkbox", name=re.compile("Birch"))).to_be_checked()
    expect(page.get_by_role("checkbox", name=re.compile("Cherry"))).not_to_be_checked()
    assert watched.complaints == []
    watched.close()


def test_the_round_prints_on_one_page(browser: Browser, shared: Service) -> None:
    for name in ("lime", "maple", "oak", "pear", "quince", "rowan", "willow"):
        shared.api("POST", "/bins", id=name, name=name.capitalize(), place_id="shed")
    watched = Watched(browser, shared, DESK)
    watched.page.goto("/round")
    expect(stop_of(watched.page, "Alder")).to_be_visible()
    pages = re.findall(rb"/Type\s*/Page\b", watched.page.pdf(format="A4"))
    assert len(pages) == 1
    watched.close()
