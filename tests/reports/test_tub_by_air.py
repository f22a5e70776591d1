"""A tub without a probe: its frost is estimated from the air, as a simulated tub of other physics had it."""

from pathlib import Path

import numpy as np
import pytest
from tests.reports.weeks import HOUR_MS, WEEKS
from tests.tubs.physics import Tub, simulate

from underlid.reports.desk import weekly
from underlid.reports.page import weekly_page
from underlid.reports.text import as_text

BY_AIR = "estimated from the air, as no probe is in it"


def test_a_tub_without_a_probe_is_told_by_the_air(tmp_path: Path) -> None:
    garden = WEEKS["frosty"](tmp_path)
    garden.tub("south-tub", "lean-to")
    report = weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms)
    probed, bare = report.tubs
    assert probed.frost is not None
    assert bare.frost is not None
    assert (probed.frost.from_air, bare.frost.from_air) == (False, True)
    # the air of the invented week without its scatter, from 96 h before it
    hours = np.arange(-96.0, 169.0)
    cold = np.interp(hours, [-400, 10, 40, 100, 130, 200], [4.0, 3.0, -9.0, -8.0, 5.0, 6.0])
    air = cold + 2.5 * np.sin((hours - 9.0) / 24.0 * 2.0 * np.pi)
    [judge] = simulate([Tub(0.30, 0.35, 10.0, 10.0, 10.0, 0.82, 650.0, float(air[:24].mean()))], [air])
    core = judge.centre[hours > 0.0]
    assert bare.frost.lowest.value == pytest.approx(core.min(), abs=1.0)
    assert (bare.frost.lowest.at - garden.from_ms) / HOUR_MS == pytest.approx(core.argmin() + 1, abs=4.0)
    assert bare.frost.below_h == pytest.approx(np.count_nonzero(core <= 0.0), rel=0.15)
    # half of the ice there where it freezes last is frozen through; a trace of it anywhere is freezing
    solid = [judge.least_ice[hours == 24.0 * day][0] >= 0.5 for day in range(1, 8)]
    some = [judge.ice[hours == 24.0 * day][0] > 0.02 for day in range(1, 8)]
    for day, through, ice in zip(bare.frost.days, solid, some, strict=True):
        assert (day.state == "frozen-through") is bool(through), day
        assert (day.state in ("soft", "thawed")) is not bool(ice), day
    assert sum(solid) >= 1
    assert some.count(False) >= 1
    assert as_text(report).count(BY_AIR) == weekly_page(report).count(BY_AIR) == 2
    garden.close()


def test_without_a_reading_of_the_air_nothing_is_told_of_it(tmp_path: Path) -> None:
    garden = WEEKS["frosty"](tmp_path)
    garden.place("yard", "Yard", outdoors=True)
    garden.tub("south-tub", "yard")
    report = weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms)
    assert report.tubs[1].frost is None
    assert report.tubs[1].words == "no probe speaks of it"
    garden.close()
