"""Ration, growth, split, castings and food left of four weeks, worked out again from raw rows (`by_hand`)."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from tests.reports import by_hand, by_pandas
from tests.reports.weeks import DAY_MS, HOUR_MS, RAGGED, Garden

from underlid.model import LogEntry
from underlid.reports.desk import weekly
from underlid.reports.report import Food, Outlook, WeeklyReport
from underlid.store import catalogue
from underlid.store import log as keepers_log

AREA_M2 = 0.6 * 0.4
GIVEN_KG = 0.4  # of worms, with the bin
BACK_MS = 120 * DAY_MS  # food that was given before is as good as gone


@dataclass
class Told:
    garden: Garden
    report: WeeklyReport
    food: Food | None
    outlook: Outlook
    log: list[LogEntry]
    core: pd.Series
    moist: pd.Series
    started_ms: int

    def warmth(self, from_ms: int) -> pd.Series:
        return by_hand.warmth(self.core, from_ms, self.garden.week.to_ms)

    def mean(self, raw: pd.Series) -> float:
        """Of the week, by time."""
        week = self.garden.week
        return by_pandas.figures(raw, week.from_ms, week.to_ms, None, None).mean

    @property
    def active(self) -> float:
        return by_hand.activity(self.mean(self.core), self.mean(self.moist))


@pytest.fixture(scope="module", params=RAGGED)
def told(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Told]:
    garden = RAGGED[request.param](tmp_path_factory.mktemp(request.param))
    report = weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms + HOUR_MS)
    thing = report.bins[0]
    assert thing.outlook is not None
    with garden.ledger.reading() as connection:
        channels = {each.name: each.id for each in catalogue.channels(connection)}
        log = [e for e in keepers_log.entries(connection, 0, garden.week.to_ms) if e.subject.id == thing.id]
        started = next(each.started_ms for each in catalogue.bins(connection) if each.id == thing.id)
    core, moist = (
        by_pandas.frame(series.time_ms, series.value)
        for series in (
            garden.readings.window(channels[name], 0, garden.week.to_ms - 1)
            for name in ("core-temp", "core-moist")
        )
    )
    core = core[(core >= -40.0) & (core <= 80.0)]
    yield Told(garden, report, thing.food, thing.outlook, log[::-1], core, moist, started)
    garden.close()


def test_food_left_is_that_of_first_order_decay_with_the_warmth_of_the_bedding(told: Told) -> None:
    week, food = told.garden.week, told.food
    fed = [e for e in told.log if e.kind == "fed" and e.at_ms >= week.to_ms - BACK_MS]
    assert food is not None
    now = [e for e in fed if e.at_ms >= week.from_ms]
    before = [e for e in fed if week.before.from_ms <= e.at_ms < week.from_ms]
    assert food.fed_kg == pytest.approx(sum(e.amount_kg or 0.0 for e in now))
    assert food.fed_before_kg == pytest.approx(sum(e.amount_kg or 0.0 for e in before))
    assert food.unweighed == sum(e.amount_kg is None for e in now)
    later = told.warmth(week.to_ms - 7 * DAY_MS).mean()
    more = 7.0 * float(by_hand.rate(pd.Series([later])).iloc[0])
    left = {e.id: by_hand.left(e.amount_kg, e.what, told.warmth(e.at_ms)) for e in fed if e.amount_kg}
    then = [by_hand.left(e.amount_kg, e.what, told.warmth(e.at_ms), more)[0] for e in fed if e.amount_kg]
    likely, low, high = (sum(each[i] for each in left.values()) for i in range(3))
    assert food.left_kg == pytest.approx(likely, abs=0.011)
    assert food.left_low_kg == pytest.approx(low, abs=0.011)
    assert food.left_high_kg == pytest.approx(high, abs=0.011)
    assert food.goes_kg == pytest.approx(likely - sum(then), abs=0.016)
    assert [(f.at, f.kg, f.what, f.corner) for f in food.feedings] == [
        (e.at_ms, e.amount_kg, e.what, e.corner) for e in now
    ]
    for feeding, entry in zip(food.feedings, now, strict=True):
        mine = pytest.approx(left[entry.id][0], abs=0.011) if entry.amount_kg else None
        assert feeding.left_kg == mine


def test_worms_their_ration_and_their_growth_follow_the_published_equations(told: Told) -> None:
    outlook, end = told.outlook, told.garden.week.to_ms
    weighed = [e for e in told.log if e.kind == "worms" and e.amount_kg]
    kg, since = (weighed[-1].amount_kg, weighed[-1].at_ms) if weighed else (GIVEN_KG, told.started_ms)
    assert kg is not None
    assert (outlook.worm_told_kg, outlook.worm_told) == (kg, since)
    course = told.warmth(since)
    days = (end - since) / DAY_MS
    then = by_hand.activity(by_hand.per_day(course) / days, told.mean(told.moist))
    fed = by_hand.fed_per_day(told.log, told.started_ms, end)
    now = by_hand.grown(kg, days, AREA_M2, then, fed)
    assert outlook.worm_kg == pytest.approx(now[0], rel=0.005, abs=0.0051)
    assert outlook.density_kg_m2 == pytest.approx(now[0] / AREA_M2, rel=0.005, abs=0.0051)
    ration = 7.0 * 0.75 * now[0] * told.active  # Ndegwa, Thompson and Das 2000
    assert outlook.ration_kg_per_week == pytest.approx(ration, rel=0.005, abs=0.0051)
    ahead = [by_hand.grown(each, 28.0, AREA_M2, told.active, fed)[i] for i, each in enumerate(now)]
    assert outlook.worm_in_4_weeks_kg == pytest.approx(ahead[0], rel=0.005, abs=0.0051)
    assert outlook.worm_low_kg == pytest.approx(ahead[1], rel=0.005, abs=0.0051)
    assert outlook.worm_high_kg == pytest.approx(ahead[2], rel=0.005, abs=0.0051)
    crowded = now[0] / AREA_M2 >= by_hand.CROWDED_KG_M2
    assert outlook.split_due is crowded
    until = 0.0 if crowded else by_hand.days_until_crowded(now[0], AREA_M2, told.active)
    assert_day(told, outlook.split_on, until)


def test_castings_are_ready_by_degree_days_since_the_last_harvest(told: Told) -> None:
    outlook = told.outlook
    begun = max([told.started_ms, *(e.at_ms for e in told.log if e.kind == "harvest")])
    found = by_hand.castings(told.warmth(begun))
    assert outlook.harvest_share_pct == pytest.approx(100.0 * found.share, abs=0.75)
    days = (outlook.harvest_on, outlook.harvest_low, outlook.harvest_high)
    for day, until, give in zip(days, found.on, found.a_hundredth, strict=True):
        assert_day(told, day, until, give)


def assert_day(told: Told, day: date | None, until: float, give: float = 0.0) -> None:
    """The day some days after the end; further than two years away none is told."""
    if day is None:
        assert until > 730.0 - give
        return
    end = datetime.fromtimestamp(told.garden.week.to_ms / 1000, ZoneInfo(told.report.time_zone))
    assert (day - end.date()).days == pytest.approx(until, abs=1.0 + max(give, 0.01 * abs(until)))
