"""The reports on three invented weeks, as text and JSON, word for word.

After a change that is meant: `python -m tests.reports.golden`, and look at what git shows.
"""

import json
from pathlib import Path

import pytest
from tests.reports.golden import GOLDEN, made
from tests.reports.weeks import WEEKS

from underlid.reports.report import WeeklyReport


@pytest.mark.parametrize("week", WEEKS)
def test_the_report_on_an_invented_week_reads_as_it_did(week: str, tmp_path: Path) -> None:
    text, body = made(week, tmp_path)
    assert text == (GOLDEN / f"{week}.txt").read_text("utf-8")
    assert json.loads(body) == json.loads((GOLDEN / f"{week}.json").read_text("utf-8"))


@pytest.mark.parametrize("week", WEEKS)
def test_a_report_read_back_from_json_is_the_same(week: str) -> None:
    body = json.loads((GOLDEN / f"{week}.json").read_text("utf-8"))
    assert WeeklyReport.model_validate(body).model_dump(mode="json") == body
