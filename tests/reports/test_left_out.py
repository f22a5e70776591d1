"""Of a large farm not every feeding has a forecast beside it: the report says of how many, and which."""

from pathlib import Path

import pytest
from tests.reports.weeks import HOUR_MS, WEEKS

from underlid.reports import feeding
from underlid.reports.desk import weekly
from underlid.reports.page import weekly_page
from underlid.reports.text import as_text


def test_feedings_without_a_forecast_for_their_number_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feeding, "MOST_FORECASTS", 1)
    garden = WEEKS["hot"](tmp_path)
    report = weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms + HOUR_MS)
    garden.close()
    heatings = report.bins[0].heatings
    [kept] = [each for each in heatings if each.forecast is not None]
    assert kept.forecast is not None
    others = [each for each in heatings if each.forecast_left_out]
    assert len(others) == len(heatings) - 1 == 2
    # of the week's three the large feeding was warmest six hours after it
    assert kept.kg == 3.5
    for shown in (as_text(report), weekly_page(report)):
        plain = " ".join(shown.split())
        assert "For 2 of 3 feedings no forecast was worked out" in plain
        assert plain.count("its forecast was not worked out") == 2
