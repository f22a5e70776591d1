"""A bin in whose log nothing stands is reported on like any other."""

from pathlib import Path

import numpy as np
from tests.reports.weeks import ALDER, HOUR_MS, Garden

from underlid.model import Position, Quantity
from underlid.reports.desk import weekly
from underlid.reports.week import week_named


def test_a_bin_that_was_never_fed_has_a_week_without_heatings(tmp_path: Path) -> None:
    garden = Garden(tmp_path, week_named("2026-W46", "Europe/Vienna"))
    garden.place("shed", "Potting shed", outdoors=False)
    garden.bin("alder", "shed")
    garden.channel(
        "alder-1", "core-temp", Quantity.TEMPERATURE, ALDER, Position.CORE, lambda h: 18.0 + np.sin(h / 4)
    )
    report = weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms + HOUR_MS)
    garden.close()
    assert report.bins[0].heatings == []
    assert report.bins[0].food is None
