"""Onboarding and health of probes on the screens: suggested, retired, brought back, compared."""

import json
import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from conftest import Service, started, wait_for
from web.screens import DESK, PHONE, Watched, publish, speak

DAY_S = 86_400


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """Alder with two thermometers in its top, one of which leaves the other; a tub; two that sit nowhere."""
    with started(Service(tmp_path_factory.mktemp("garden") / "data")) as service:
        service.api("POST", "/places", id="shed", name="Potting shed")
        service.api("POST", "/bins", id="alder", name="Alder", place_id="shed")
        service.api("POST", "/feed-stores", id="north-tub", name="North tub", place_id="shed")
        week(service, "stake", drift_per_day=0.5)
        week(service, "twin", drift_per_day=0.0)
        speak(service, "north-tub-1", 3.5, 0)
        speak(service, "spare", 20.0, 70)
        wait_for(lambda: len(service.items("/probes")) == 4, "the probes")
        for probe in ("stake", "twin"):
            service.api(
                "POST", f"/probes/{probe}/placement", subject={"kind": "bin", "id": "alder"}, position="top"
            )
        yield service


def week(service: Service, probe: str, drift_per_day: float) -> None:
    """A week of a thermometer that speaks every half hour, with a battery that loses 0.02 V a day."""
    end = int(time.time())
    records = []
    for n in range(7 * 48 + 1):
        at, days = end - (7 * 48 - n) * 1800, n / 48
        warmth = 18 + n % 48 / 24 + 0.05 * (n * 7 % 11 - 5) / 5
        records.append({"n": "temp", "u": "Cel", "t": at, "v": round(warmth + drift_per_day * days, 3)})
        records.append({"n": "batt", "u": "V", "t": at, "v": round(4.0 - 0.02 * days, 4)})
    records.append({"n": "rssi", "u": "dBm", "t": end, "v": -67})
    publish(service, probe, json.dumps(records))


def test_the_placing_form_is_filled_in_with_what_the_name_says(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/probes")
    card = page.locator("#probe-north-tub-1")
    card.get_by_role("button", name="Place it", exact=True).tap()
    expect(card).to_contain_text("Suggested because of north-tub-1.")
    expect(card.get_by_label("Where does it sit?")).to_have_value("feed-store/north-tub")
    card.get_by_role("button", name="Place it here").tap()
    expect(page.get_by_role("status").first).to_contain_text("north-tub-1 is placed: North tub, feed")
    placed = {c["name"]: c["placement"] for c in garden.api("GET", "/probes/north-tub-1")["channels"]}  # type: ignore[attr-defined]
    assert placed["temp"]["subject"] == {"kind": "feed-store", "id": "north-tub"}
    assert placed["moist"] is None
    assert watched.complaints == []
    watched.close()


def test_health_is_told_in_words(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    wait_for(lambda: garden.api("GET", "/probes/twin")["health"] is not None, "its health", 90)
    page.goto("/probes")
    card = page.locator("#probe-twin")
    expect(card).to_contain_text("every 30 min; next about")
    # 0.02 V a day from 4.0 V: 3.86 V after a week, and the 0.56 V down to 3.3 V last 28 days.
    expect(card).to_contain_text("3.86 V, about 28 d left at this rate")
    expect(card).to_contain_text("good (−67 dBm)")
    expect(card).to_contain_text("none in the last day")
    watched.close()


def test_a_probe_is_renamed_and_stays_so(browser: Browser, garden: Service) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/probes")
    page.locator("#probe-spare").get_by_role("button", name="Rename").tap()
    page.get_by_label("Name", exact=True).fill("Spare stake")
    page.get_by_role("button", name="Save").tap()
    expect(page.get_by_role("heading", name="Spare stake")).to_be_visible()
    page.reload()
    expect(page.get_by_role("heading", name="Spare stake")).to_be_visible()
    watched.close()


def test_a_probe_is_retired_undone_retired_seen_speaking_and_brought_back(
    browser: Browser, garden: Service
) -> None:
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/probes")
    card = page.locator("#probe-twin")

    def retire() -> None:
        card.get_by_role("button", name="Retire", exact=True).tap()
        expect(card).to_contain_text("what it has said stays")
        card.get_by_role("button", name="Yes, retire it").tap()
        expect(page.get_by_text("twin is retired.").first).to_be_visible()

    retire()
    page.get_by_role("button", name="Undo").tap()
    expect(card).to_contain_text("Alder: top")
    retire()
    page.get_by_text("Retired (1)").tap()
    expect(card.get_by_role("button", name="Bring back")).to_be_visible()
    speak(garden, "twin", 21.0, 0)
    expect(card).to_contain_text("retired, and speaking")
    card.get_by_role("button", name="Bring back").tap()
    expect(card.get_by_role("button", name="Place it", exact=True)).to_be_visible()
    expect(page.get_by_text("Retired (1)")).to_have_count(0)
    assert watched.complaints == []
    watched.close()


def test_two_side_by_side_are_compared_and_the_drift_is_told(browser: Browser, garden: Service) -> None:
    garden.api("DELETE", "/probes/twin/placement")
    garden.api("POST", "/probes/twin/placement", subject={"kind": "bin", "id": "alder"}, position="top")
    watched = Watched(browser, garden, DESK)
    page = watched.page
    page.goto("/probes")
    page.locator("#probe-stake").get_by_role("link", name="Compare stake").click()
    expect(page.get_by_role("heading", name="Compare stake")).to_be_focused()
    page.get_by_label("Compared with").select_option(label="twin, temp")
    page.get_by_role("button", name="Compare these two").click()
    expect(page.get_by_text("Three days together are needed to tell a drift.")).to_be_visible()

    # As though they had been compared for a week.
    channels = {p: garden.api("GET", f"/probes/{p}")["channels"][0]["id"] for p in ("stake", "twin")}  # type: ignore[index]
    garden.api("DELETE", "/probes/twin/placement")
    garden.api("DELETE", "/probes/stake/placement")
    week_ago = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() - 7 * DAY_S))
    garden.api("PUT", f"/channels/{channels['stake']}/twin", channel=channels["twin"], since=week_ago)
    expect(page.get_by_text("Leaves its twin by +0.50 °C a day, for sure.")).to_be_visible()
    expect(page.locator(".twin-legend")).to_contain_text("difference")
    expect(page.locator(".chart canvas")).to_be_visible()
    page.get_by_role("button", name="Compare no longer").click()
    expect(page.locator(".chart")).to_have_count(0)
    assert garden.api("GET", "/probes/stake")["channels"][0]["twin"] is None  # type: ignore[index]
    assert watched.complaints == []
    watched.close()


def test_counts_of_a_probe_that_also_says_per_cent_are_not_called_calibrated(
    browser: Browser, service: Service
) -> None:
    publish(service, "both-1", '{"moist": 71}')
    publish(service, "both-1", '{"moist": 2310}')
    wait_for(lambda: len(service.items("/probes")) == 1 and channels(service, "both-1") == 2, "the channels")
    watched = Watched(browser, service, PHONE)
    page = watched.page
    page.goto("/probes")
    card = page.locator("#probe-both-1")
    expect(card).to_contain_text("not calibrated")
    card.get_by_role("link", name="Calibrate both-1, moist").tap()
    expect(page.get_by_text("Never calibrated.")).to_be_visible()
    assert watched.complaints == []
    watched.close()


def channels(service: Service, probe: str) -> int:
    return len(service.api("GET", f"/probes/{probe}")["channels"])  # type: ignore[arg-type]
