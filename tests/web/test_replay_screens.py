"""The screen of replays: what it asks is what is chosen, and what it shows is the answer to that."""

import json
from datetime import UTC, datetime

from playwright.sync_api import Browser, Request, expect

from conftest import Service
from web.screens import PHONE, Watched, axe_findings, furnish, too_wide


def test_a_replay_begins_from_the_bins_own_limits_and_ends_with_another_choice(
    browser: Browser, service: Service
) -> None:
    furnish(service, alder=0)
    month = datetime.now(UTC).month
    season = f"moist_low_pct_wb@{month}-{month % 12 + 1}"
    own = {"temp_low_c": 6.0, season: 66.0}
    service.api("PATCH", "/bins/alder", limits=own)
    watched = Watched(browser, service, PHONE)
    page = watched.page
    asked: list[dict[str, float]] = []

    def keep(request: Request) -> None:
        if request.method == "POST" and request.url.endswith("/replay"):
            asked.extend(each["limits"] for each in json.loads(request.post_data or "")["limits"])

    page.on("request", keep)
    answer = page.get_by_text("No alarm in that time").or_(page.locator(".replay"))

    def replay() -> None:
        page.get_by_role("button", name="Replay", exact=True).tap()
        expect(answer).to_be_visible()

    page.goto("/replay")
    replay()
    page.get_by_role("combobox", name="Bin").select_option("alder")
    expect(answer).to_have_count(0)
    page.get_by_label("Change a limit").select_option("temp_high_c")
    page.get_by_role("spinbutton").fill("28")
    replay()
    assert asked.pop() == {**own, "temp_high_c": 28}
    page.get_by_label("Period").select_option("6")
    expect(answer).to_have_count(0)
    page.get_by_label("Change a limit").select_option("moist_low_pct_wb")
    expect(page.get_by_role("spinbutton")).to_have_value("66")
    page.get_by_role("spinbutton").fill("68")
    replay()
    assert asked.pop() == {**own, season: 68}
    assert axe_findings(page) + too_wide(page) == []
    page.get_by_role("spinbutton").press_sequentially(".5")
    expect(answer).to_have_count(0)
    expect(page.get_by_role("spinbutton")).to_be_focused()
    assert watched.complaints == []
    watched.close()
