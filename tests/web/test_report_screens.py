"""The screen of reports in a real browser, on phone and desktop, light and dark."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect
from tests.web.screens import DESK, PHONE, Watched, axe_findings, dry_out, furnish, too_wide

from conftest import Service


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (DESK, "dark")])
def test_today_a_week_and_a_bin_beside_another(
    browser: Browser, service: Service, size: dict[str, int], scheme: str
) -> None:
    furnish(service, alder=0, birch=0)
    watched = Watched(browser, service, size, scheme)
    page = watched.page
    page.goto("/reports")
    expect(page.get_by_role("heading", name="Today")).to_be_visible()
    expect(page.get_by_role("heading", name="The week", exact=True)).to_be_visible()
    assert axe_findings(page) == []
    page.locator("select").nth(1).select_option("bin/alder")
    expect(page.get_by_role("table")).to_contain_text("of the time in range")
    page.get_by_label("Beside it").select_option("bin/birch")
    expect(page.locator("td[data-of=Birch]").first).to_contain_text("of the time in range")
    assert axe_findings(page) == []
    assert too_wide(page) == []
    with page.context.expect_page() as opened:
        page.get_by_role("link", name="Page to read or print").click()
    expect(opened.value.get_by_role("heading", name="Alder: the week")).to_be_visible()
    assert opened.value.locator("svg[role=img]").count() >= 1
    assert watched.complaints == []
    watched.close()


def test_today_and_what_to_do_are_told_in_the_viewers_units(browser: Browser, service: Service) -> None:
    furnish(service, alder=2)
    dry_out(service, "alder")
    watched = Watched(browser, service, PHONE, locale="en-US")
    page = watched.page
    page.goto("/reports")
    for name in ("Today", "What to do next week"):
        told = page.get_by_role("region", name=name)
        expect(told).to_contain_text(re.compile(r"\d\s(?:gal|lb)\b"))
        assert re.findall(r"\d\s(?:°C|kg|L)\b", told.inner_text()) == []
    assert axe_findings(page) + too_wide(page) == []
    assert watched.complaints == []
    watched.close()


def test_a_pdf_is_kept_as_a_file(browser: Browser, service: Service) -> None:
    furnish(service, alder=0)
    watched = Watched(browser, service, PHONE)
    page = watched.page
    page.goto("/reports")
    page.locator("select").nth(1).select_option("bin/alder")
    with page.expect_download() as kept:
        page.get_by_role("button", name="PDF").tap()
    week = page.locator("select").first.input_value()
    assert kept.value.suggested_filename == f"underlid-{week}-alder.pdf"
    assert kept.value.path().read_bytes().startswith(b"%PDF-")
    assert watched.complaints == []
    watched.close()


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "dark"), (DESK, "light")])
def test_a_service_that_makes_no_pdf_says_so_on_the_page(
    browser: Browser, service: Service, tmp_path: Path, size: dict[str, int], scheme: str
) -> None:
    furnish(service, alder=0)
    service.stop()
    (tmp_path / "lean").mkdir()
    (tmp_path / "lean" / "weasyprint.py").write_text("raise ImportError('not installed')\n")
    service.environment = {"PYTHONPATH": str(tmp_path / "lean")}
    service.start()
    watched = Watched(browser, service, size, scheme)
    page = watched.page
    page.goto("/reports")
    page.get_by_role("button", name="PDF").click()
    expect(page.get_by_role("alert").filter(has_text="PDF needs WeasyPrint")).to_be_in_viewport(ratio=1)
    expect(page.get_by_role("heading", name="Today")).to_be_visible()
    expect(page.get_by_role("button", name="PDF")).to_be_enabled()
    assert axe_findings(page) + too_wide(page) == []
    assert [c for c in watched.complaints if "503" not in c] == []
    watched.close()
