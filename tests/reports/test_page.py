"""Reports as pages and PDF: they fit phone and paper, need nothing from elsewhere, and let no mark-up in."""

import csv
import io
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from tests.reports.golden import GOLDEN
from tests.reports.weeks import WEEKS
from tests.web.screens import AXE, axe_findings, chromium

from underlid.model import SubjectKind
from underlid.reports.page import weekly_page
from underlid.reports.pdf import NoPdfError, as_pdf
from underlid.reports.report import WeeklyReport
from underlid.reports.sheet import HEADER, as_csv


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


def golden(week: str) -> WeeklyReport:
    return WeeklyReport.model_validate_json((GOLDEN / f"{week}.json").read_text("utf-8"))


@pytest.mark.parametrize("week", WEEKS)
@pytest.mark.parametrize("width", [320, 390, 1280])
def test_a_page_fits_the_screen_and_asks_for_nothing(browser: Browser, week: str, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 800})
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.set_content(weekly_page(golden(week)))
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert [url for url in asked if not url.startswith(("about:", "data:"))] == []
    assert page.locator("svg[role=img]").count() >= 3
    if width == 390:
        page.evaluate(AXE.read_text())
        assert axe_findings(page) == []
    page.close()


def test_what_people_typed_is_text_on_the_page(browser: Browser) -> None:
    report = golden("dry")
    bad = '<img src=x onerror="document.title=1">&amp;'
    evil = report.model_copy(
        update={
            "farm": bad,
            "log": [report.log[0].model_copy(update={"what": bad, "name": bad})],
            "things": [report.bins[0].model_copy(update={"name": bad}), *report.things[1:]],
        }
    )
    html = weekly_page(evil)
    page = browser.new_page()
    page.set_content(html)
    assert page.locator("img").count() == 0
    assert bad in page.inner_text("header")
    assert any(
        bad in label
        for label in page.locator("svg").evaluate_all("s => s.map(e => e.getAttribute('aria-label'))")
    )
    page.close()


@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("letter", (612, 792))])
def test_a_pdf_has_pages_of_its_paper(paper: str, size: tuple[int, int]) -> None:
    pytest.importorskip("weasyprint", exc_type=ImportError)
    made = as_pdf(weekly_page(golden("dry")), paper)  # type: ignore[arg-type]
    assert made.startswith(b"%PDF-")
    boxes = {
        tuple(round(float(number)) for number in box.split())[2:]
        for box in re.findall(rb"/MediaBox\s*\[([^\]]+)\]", made)
    }
    assert boxes in (set(), {size})  # compressed streams may hide them
    from weasyprint import HTML  # type: ignore[import-untyped]

    sized = weekly_page(golden("dry")).replace(
        "</head>", f"<style>@page {{ size: {paper} }}</style></head>", 1
    )
    pages = HTML(string=sized).render().pages
    # WeasyPrint counts in CSS pixels, 96 to the inch; PDF points are 72
    assert {(round(page.width * 0.75), round(page.height * 0.75)) for page in pages} == {size}
    assert 2 <= len(pages) <= 6


def test_without_weasyprint_the_refusal_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(NoPdfError) as caught:
        as_pdf("<p>")
    assert "pip install 'underlid[pdf]'" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("week", WEEKS)
def test_the_table_has_every_figure_with_its_unit(week: str, tmp_path: Path) -> None:
    import pandas as pd

    report = golden(week)
    file = tmp_path / "report.csv"
    file.write_text(as_csv(report), "utf-8")
    table = pd.read_csv(file, dtype={"at": str}, keep_default_na=False)
    assert tuple(table.columns) == HEADER
    for thing in report.things:
        for position in thing.positions:
            assert position.this_week is not None
            of_it = table[
                (table["id"] == thing.id) & (table["what"] == f"{position.position} {position.quantity}")
            ]
            lowest = of_it[of_it["figure"] == "lowest"].iloc[0]
            assert (float(lowest["value"]), lowest["unit"]) == (
                position.this_week.lowest.value,
                position.unit,
            )
            assert pd.Timestamp(lowest["at"]).timestamp() == position.this_week.lowest.at // 1000
            known = of_it[of_it["figure"] == "known"].iloc[0]
            assert (float(known["value"]), known["unit"]) == (position.this_week.known_pct, "%")


def test_a_page_on_one_bin_is_named_for_it(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content(weekly_page(golden("hot").only(SubjectKind.BIN, "alder")))
    assert page.inner_text("h1") == "Alder: the week"
    assert page.get_by_text("Time in range, bin by bin").count() == 0
    page.close()


def test_a_number_stays_on_one_line_with_its_unit() -> None:
    html = weekly_page(golden("hot"))
    words = re.sub(r"<style.*?</style>|<[^>]+>", "", html, flags=re.DOTALL)
    assert re.findall(r"\d (?:°C|%|kg|L|h)\b", words) == []
    assert "3.5\N{NO-BREAK SPACE}kg" in words
    assert "\N{NO-BREAK SPACE}" not in "".join(
        re.findall(r"<[^>]+>", html)
    )  # drawings and links as they were


@pytest.mark.parametrize("week", WEEKS)
def test_the_table_leaves_no_number_of_food_frost_outlook_and_totals_out(week: str) -> None:
    report = golden(week)
    shown = {row["value"] for row in csv.DictReader(io.StringIO(as_csv(report)))}
    parts = [report.totals, report.totals.alarms, *report.scores]
    for thing in report.things:
        parts += [each for each in (thing.food, thing.water, thing.frost, thing.outlook) if each is not None]
    constants = {"limit_c", "unweighed", "confidence", "bins", "split_due"}  # known, or told in words
    for part in parts:
        numbers = {
            name: value for name, value in part if isinstance(value, float | int) and name != "worm_told"
        }
        left_out = {name for name, value in numbers.items() if str(value) not in shown}
        assert left_out <= constants | {"from_air"}, type(part)


def test_a_spreadsheet_finds_no_formula_in_the_table() -> None:
    report = golden("dry")
    alder = report.bins[0]
    fed = alder.heatings[0].model_copy(update={"what": "=HYPERLINK(1)"})
    evil = alder.model_copy(update={"name": "@SUM(1)", "heatings": [fed]})
    rows = csv.DictReader(io.StringIO(as_csv(report.model_copy(update={"things": [evil]}))))
    found = [row for row in rows if row["section"] == "food"]
    assert {row["name"] for row in found} == {"'@SUM(1)"}
    assert "'=HYPERLINK(1)" in {row["what"] for row in found}
