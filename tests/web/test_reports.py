"""Reports over the API, on real stores and a real HTTP server."""

import csv
import io
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from tests.web.inside import Inside, running


@pytest.fixture(scope="module")
def inside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inside]:
    with running(tmp_path_factory.mktemp("reports")) as made:
        yield made


def present_week() -> str:
    return f"{datetime.now(UTC):%G-W%V}"


def weeks(inside: Inside) -> list[dict[str, object]]:
    answer = inside.ask("GET", "/api/v1/reports/weekly")
    assert answer.status_code == 200
    items: list[dict[str, object]] = answer.json()["items"]
    return items


def test_the_present_week_is_listed_and_told_so_far(inside: Inside) -> None:
    newest = weeks(inside)[0]
    assert newest["over"] is False
    report = inside.ask("GET", f"/api/v1/reports/weekly/{newest['week']}").json()
    assert report["whole"] is False
    assert report["farm"] == "Walled garden"
    alder = next(thing for thing in report["things"] if thing["id"] == "alder")
    [temperature] = alder["positions"]
    assert (temperature["position"], temperature["unit"]) == ("top", "Cel")


def test_a_report_is_shown_as_page_text_and_table(inside: Inside) -> None:
    week = weeks(inside)[0]["week"]
    page = inside.ask("GET", f"/api/v1/reports/weekly/{week}/page")
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "script" not in page.headers["content-security-policy"]
    assert "style-src 'unsafe-inline'" in page.headers["content-security-policy"]
    assert "<h1>The week of the bins</h1>" in page.text
    text = inside.ask("GET", f"/api/v1/reports/weekly/{week}/text")
    assert text.text.startswith(f"Walled garden: week {week}")
    table = inside.ask("GET", f"/api/v1/reports/weekly/{week}/csv")
    assert table.headers["content-disposition"] == f'attachment; filename="underlid-{week}.csv"'
    assert next(csv.reader(io.StringIO(table.text)))[:4] == ["week", "kind", "id", "name"]


def test_a_report_on_one_bin_is_asked_for_by_its_subject(inside: Inside) -> None:
    week = weeks(inside)[0]["week"]
    one = inside.ask("GET", f"/api/v1/reports/weekly/{week}?subject=bin/alder").json()
    assert one["about"] == "bin/alder"
    assert [thing["id"] for thing in one["things"]] == ["alder", "shed"]
    page = inside.ask("GET", f"/api/v1/reports/weekly/{week}/page?subject=bin/alder")
    assert "<h1>Alder: the week</h1>" in page.text


def test_pdf_is_made_where_it_can_be(inside: Inside) -> None:
    pytest.importorskip("weasyprint", exc_type=ImportError)
    week = weeks(inside)[0]["week"]
    pdf = inside.ask("GET", f"/api/v1/reports/weekly/{week}/pdf?paper=letter")
    assert pdf.headers["content-type"] == "application/pdf"
    assert pdf.content.startswith(b"%PDF-")


def test_a_week_that_is_over_is_kept_by_put(inside: Inside) -> None:
    last = f"{datetime.now(UTC) - timedelta(7):%G-W%V}"
    kept = inside.ask("PUT", f"/api/v1/reports/weekly/{last}")
    assert kept.status_code == 200
    assert inside.ask("GET", f"/api/v1/reports/weekly/{last}").json() == kept.json()
    assert inside.ask("GET", f"/api/v1/reports/weekly/{last}?anew=true").json() == kept.json()


@pytest.mark.parametrize(
    ("method", "path", "status", "words"),
    [
        ("GET", "weekly/2026-W60", 422, "'2026-W60' is not a week; write it as 2026-W47."),
        ("GET", "weekly/2199-W01", 404, "The week 2199-W01 has not begun yet."),
        ("GET", "weekly/{week}?subject=bin/oak", 404, "has nothing on 'bin/oak'"),
        ("GET", "weekly/{week}?subject=oak", 422, "'oak' names no subject"),
        ("GET", "weekly/{week}/docx", 422, "path.form"),
        ("PUT", "weekly/{week}", 409, "is not over yet"),
    ],
)
def test_what_cannot_be_is_told_in_one_sentence(
    inside: Inside, method: str, path: str, status: int, words: str
) -> None:
    answer = inside.ask(method, f"/api/v1/reports/{path.format(week=present_week())}")
    assert answer.status_code == status, answer.text
    assert words in answer.json()["detail"]


def test_today_is_told_in_three_lines(inside: Inside) -> None:
    today = inside.ask("GET", "/api/v1/reports/daily").json()
    assert [line.partition(":")[0] for line in today["lines"]] == ["Today", "Coming", "Fine"]
    page = inside.ask("GET", "/api/v1/reports/daily/page")
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "What needs hands today" in page.text or "nothing needs hands" in page.text
