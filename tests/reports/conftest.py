"""The four invented weeks, each made once, with its report."""

from collections.abc import Iterator

import pytest
from tests.reports.weeks import HOUR_MS, RAGGED, Garden

from underlid.reports.desk import weekly
from underlid.reports.report import WeeklyReport


@pytest.fixture(scope="session")
def gardens(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, tuple[Garden, WeeklyReport]]]:
    """By the week's name; not to be changed."""
    made = {}
    for name, make in RAGGED.items():
        garden = make(tmp_path_factory.mktemp(name))
        report = weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms + HOUR_MS)
        made[name] = (garden, report)
    yield made
    for garden, _ in made.values():
        garden.close()
