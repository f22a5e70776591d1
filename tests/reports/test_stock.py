"""The report and the bin's page say the same of what is in a bin; worms grow as a table of doublings says."""

from pathlib import Path

import pytest
from tests.reports.weeks import ALDER, HOUR_MS, WEEKS, Garden

from underlid.reports.desk import weekly
from underlid.reports.facts import BinFacts, bin_facts
from underlid.reports.report import Outlook
from underlid.store import catalogue


def told(garden: Garden) -> tuple[Outlook, BinFacts]:
    report = weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms)
    with garden.ledger.reading() as connection:
        [bin_] = catalogue.bins(connection)
        facts = bin_facts(connection, garden.readings, bin_, garden.week.to_ms)
    assert report.bins[0].outlook is not None
    return report.bins[0].outlook, facts


@pytest.mark.parametrize("week", WEEKS)
def test_the_report_and_the_bins_page_tell_the_same(week: str, tmp_path: Path) -> None:
    garden = WEEKS[week](tmp_path)
    outlook, facts = told(garden)
    garden.close()
    assert facts.ration_kg_per_day is not None
    assert facts.ready is not None
    assert outlook.worm_told_kg == facts.worms.told_kg
    # one takes daily means of readings, the other time into account
    assert outlook.worm_kg == pytest.approx(facts.worms.now.worm_kg, rel=0.02, abs=0.0051)
    assert outlook.ration_kg_per_week == pytest.approx(7.0 * facts.ration_kg_per_day[0], rel=0.05, abs=0.0051)
    assert outlook.harvest_share_pct == pytest.approx(100.0 * facts.ready.share, abs=2.0)


def test_worms_weighed_lately_count_from_then_on(tmp_path: Path) -> None:
    garden = WEEKS["dry"](tmp_path)
    before, _ = told(garden)
    garden.did(-400.0, ALDER, "worms", kg=2.0, what="guessed")
    garden.did(10.0, ALDER, "worms", kg=1.5, what="weighed")
    garden.did(10.0, ALDER, "worms", what="some seen")  # no mass: says nothing of it
    outlook, facts = told(garden)
    garden.close()
    assert before.worm_told_kg == 0.4  # as given for the bin
    assert (outlook.worm_told_kg, outlook.worm_told) == (1.5, garden.from_ms + 10 * HOUR_MS)
    assert (facts.worms.told_kg, facts.worms.how) == (1.5, "weighed")
    # twice as many after 75 days at their best
    assert 1.5 <= outlook.worm_kg < 1.5 * 2 ** (6.5 / 75.0)
    assert outlook.density_kg_m2 == pytest.approx(outlook.worm_kg / 0.24, abs=0.026)


def test_worms_told_longer_ago_than_the_log_is_read_still_count(tmp_path: Path) -> None:
    garden = WEEKS["hot"](tmp_path)
    garden.did(-500 * 24.0, ALDER, "worms", kg=0.2, what="weighed")
    outlook, facts = told(garden)
    assert (outlook.worm_told_kg, facts.worms.told_kg) == (0.4, 0.4)  # it was told of a bin before this one
    garden.bin("alder", "shed", started_days_before=900)
    outlook, facts = told(garden)
    garden.close()
    assert (outlook.worm_told_kg, facts.worms.told_kg) == (0.2, 0.2)
