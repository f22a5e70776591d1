"""Every figure of a position against pandas on the same raw readings, gaps and faults among them."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.reports import by_pandas
from tests.reports.weeks import ALDER, HOUR_MS, RAGGED, WEEKS, Garden

from underlid.model import Position, Quantity, Reading, Series
from underlid.reports.desk import weekly
from underlid.reports.figures import figures
from underlid.reports.held import hold, together, usable
from underlid.reports.report import PositionReport, WeeklyReport
from underlid.reports.week import week_named
from underlid.store import catalogue
from underlid.store import log as keepers_log

WEEK = week_named("2026-W47", "Europe/Vienna")


def irregular(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Readings at whole seconds, of a rhythm that wavers, with bursts, lost ones, short and long silences."""
    random = np.random.default_rng(seed)
    usual = int(random.choice([60, 300, 900, 3600]))
    steps = np.maximum(random.normal(usual, usual / 5, 700_000 // usual), 1).round()
    steps[random.random(len(steps)) < 0.03] *= random.integers(2, 12)
    steps[random.random(len(steps)) < 0.03] = 1
    times = WEEK.from_ms // 1000 - 40_000 + np.cumsum(steps).astype(np.int64)
    for _ in range(3):
        begin = random.integers(times[0], times[-1])
        lost = (times >= begin) & (times < begin + random.integers(1_000, 90_000))
        times = times[~lost]
    values = np.round(70.0 + np.cumsum(random.normal(0.0, 0.15, len(times))), 2)
    return times * 1000, values


@pytest.mark.parametrize("seed", range(8))
def test_time_in_range_is_by_time_whatever_the_rhythm_and_its_gaps(seed: int) -> None:
    times, values = irregular(seed)
    by = by_pandas.figures(by_pandas.frame(times, values), WEEK.from_ms, WEEK.to_ms, 68.0, 72.0)
    held = hold(Series(times, values), WEEK.from_ms, WEEK.to_ms)
    found = figures(held, Quantity.MOISTURE, WEEK.to_ms - WEEK.from_ms, 68.0, 72.0)
    assert found is not None
    assert found.known_pct == pytest.approx(by.known, abs=0.051)
    assert found.in_range_pct == pytest.approx(by.inside, abs=0.051)
    assert found.below_pct == pytest.approx(by.below, abs=0.051)
    assert found.above_pct == pytest.approx(by.above, abs=0.051)
    assert (found.lowest.value, found.lowest.at) == (by.lowest, by.lowest_at)
    assert (found.highest.value, found.highest.at) == (by.highest, by.highest_at)
    assert found.median == pytest.approx(by.median, abs=0.0051)
    assert held.mean() == pytest.approx(by.mean, rel=1e-6)  # a spacing may end on half a second
    assert found.trend_per_day == pytest.approx(
        by_pandas.trend(by.seconds, [], Quantity.MOISTURE)[0], abs=0.0051
    )
    hourly = by.seconds.resample("1h").agg(["mean", "count"])
    edges = np.arange(WEEK.from_ms, WEEK.to_ms + 1, HOUR_MS)
    ours = held.means(edges)
    enough = (hourly["count"] >= 900).to_numpy()
    assert np.array_equal(np.isfinite(ours), enough)
    assert ours[enough] == pytest.approx(hourly["mean"].to_numpy()[enough], rel=1e-5)


def test_by_count_it_would_be_otherwise() -> None:
    """A probe that speaks ten times as often while it is too dry makes the dry time no longer."""
    wet = np.arange(WEEK.from_ms, WEEK.from_ms + 100 * HOUR_MS, 600_000)
    dry = np.arange(WEEK.from_ms + 100 * HOUR_MS, WEEK.to_ms, 60_000)
    series = Series(
        np.concatenate([wet, dry]), np.concatenate([np.full(len(wet), 75.0), np.full(len(dry), 60.0)])
    )
    held = hold(series, WEEK.from_ms, WEEK.to_ms)
    assert 100.0 * held.share(65.0, 88.0) == pytest.approx(100.0 * 100 / 168, abs=0.02)
    assert np.mean(series.value >= 65.0) < 0.15


def test_readings_that_cant_be_and_lone_spikes_count_for_nothing() -> None:
    times = WEEK.from_ms + np.arange(1000) * 600_000
    values = 20.0 + np.sin(np.arange(1000) / 50.0)
    values[[100, 300]] = [85.0, -127.0]  # a DS18B20's power-on value, and of a lost sensor
    values[500] += 4.0
    values[700:710] += 4.0  # ten of them are no spike
    good = usable(Series(times, np.round(values, 2)), Quantity.TEMPERATURE)
    assert np.flatnonzero(~good).tolist() == [100, 300, 500]


def test_of_three_channels_at_one_position_the_middle_one_counts_while_it_speaks() -> None:
    times = WEEK.from_ms + np.arange(1008) * 600_000
    one, two, off = (
        Series(times + lag, np.full(1008, value)) for lag, value in ((0, 70.0), (7_000, 72.0), (9_000, 99.0))
    )
    half = Series(off.time_ms[:504], off.value[:504])
    held = together([hold(each, WEEK.from_ms, WEEK.to_ms) for each in (one, two, half)])
    frames = [
        by_pandas.figures(by_pandas.frame(s.time_ms, s.value), WEEK.from_ms, WEEK.to_ms, None, None).seconds
        for s in (one, two, half)
    ]
    middle = pd.concat(frames, axis=1).median(axis=1)
    assert held.mean() == pytest.approx(middle.mean(), rel=1e-9)
    assert held.median() == pytest.approx(middle.median())


@pytest.fixture(params=RAGGED)
def told(
    request: pytest.FixtureRequest, gardens: dict[str, tuple[Garden, WeeklyReport]]
) -> tuple[Garden, WeeklyReport]:
    return gardens[request.param]


def raw(garden: Garden, kind: str, id_: str, position: PositionReport) -> pd.Series:
    """The raw readings behind a line of the report, but for those that can't be."""
    with garden.ledger.reading() as connection:
        channels = {each.id: each for each in catalogue.channels(connection)}
        [channel] = [
            placed.channel_id
            for placed in catalogue.placements(connection)
            if (placed.subject.kind, placed.subject.id, placed.position) == (kind, id_, position.position)
            and channels[placed.channel_id].quantity is position.quantity
        ]
    series = garden.readings.window(channel, 0, garden.week.after.to_ms)
    rows = by_pandas.frame(series.time_ms, series.value)
    low, high = (-40.0, 80.0) if position.quantity is Quantity.TEMPERATURE else (0.0, 100.0)
    return rows[(rows >= low) & (rows <= high)]


# Within which it is well: Reinecke and Venter 1987 and Edwards 1988, the sources that `rules/limits.py` names; of a
# tub, where water freezes.
WELL = {
    ("bin", Quantity.MOISTURE): (65.0, 88.0),
    ("bin", Quantity.TEMPERATURE): (4.0, 30.0),
    ("feed-store", Quantity.TEMPERATURE): (0.0, None),
}


def test_every_figure_of_every_position_in_four_weeks(told: tuple[Garden, WeeklyReport]) -> None:
    garden, report = told
    with garden.ledger.reading() as connection:
        entries = keepers_log.entries(connection, 0, garden.week.to_ms)
    checked = 0
    for thing in report.things:
        hands = [
            e.at_ms for e in entries if e.subject.id == thing.id and e.kind in ("wetted", "turned", "bedding")
        ]
        for position in thing.positions:
            readings = raw(garden, thing.kind, thing.id, position)
            low, high = WELL.get((thing.kind, position.quantity), (None, None))
            high = 35.0 if position.position is Position.POCKET else high  # Dominguez and Edwards 2011
            assert (position.low, position.high) == (low, high)
            moist = hands if position.quantity is Quantity.MOISTURE else []
            for week, found in (
                (garden.week, position.this_week),
                (garden.week.before, position.week_before),
            ):
                by = by_pandas.figures(readings, week.from_ms, week.to_ms, low, high)
                assert found is not None
                assert found.known_pct == pytest.approx(by.known, abs=0.051)
                assert found.median == pytest.approx(by.median, abs=0.0051)
                assert (found.lowest.value, found.lowest.at) == (by.lowest, by.lowest_at)
                assert (found.highest.value, found.highest.at) == (by.highest, by.highest_at)
                bounded = low is not None or high is not None
                assert found.in_range_pct == (pytest.approx(by.inside, abs=0.051) if bounded else None)
                assert found.below_pct == (pytest.approx(by.below, abs=0.051) if low is not None else None)
                assert found.above_pct == (pytest.approx(by.above, abs=0.051) if high is not None else None)
                slope, word = by_pandas.trend(by.seconds, moist, position.quantity)
                assert found.trend_per_day == pytest.approx(slope, abs=0.0051)
                assert found.trend == word
                if week is garden.week:
                    hourly = by.seconds.resample("1h").agg(["mean", "count"])
                    curve = hourly["mean"].where(hourly["count"] >= 900)
                    ours = [np.nan if value is None else value for value in position.curve]
                    assert ours == pytest.approx(curve.to_list(), abs=0.0061, nan_ok=True)
                checked += 1
    assert checked >= 6


def test_totals_weigh_each_position_by_its_known_time(told: tuple[Garden, WeeklyReport]) -> None:
    _, report = told
    rows = pd.DataFrame(
        [
            (when, p.quantity.value, week.in_range_pct, week.known_pct)
            for thing in report.bins
            for p in thing.positions
            for when, week in (("now", p.this_week), ("before", p.week_before))
            if week is not None
        ],
        columns=["when", "quantity", "inside", "known"],
    )
    of = report.totals
    for when, quantity, total in (
        ("now", "moisture", of.in_range_moisture_pct),
        ("now", "temperature", of.in_range_temperature_pct),
        ("before", "moisture", of.in_range_moisture_before_pct),
        ("before", "temperature", of.in_range_temperature_before_pct),
    ):
        some = rows[(rows["quantity"] == quantity) & (rows["when"] == when)]
        assert total == pytest.approx(np.average(some["inside"], weights=some["known"]), abs=0.051)
    assert of.known_pct == pytest.approx(rows["known"][rows["when"] == "now"].mean(), abs=0.051)


def test_a_probe_that_moved_is_told_where_it_sat(tmp_path: Path) -> None:
    garden = WEEKS["dry"](tmp_path)
    moved = garden.from_ms + 84 * HOUR_MS
    with garden.ledger.writing() as connection:
        core = next(c for c in catalogue.channels(connection) if c.name == "core-temp")
        catalogue.place_channel(connection, core.id, ALDER, Position.BASE, moved)
    report = weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms)
    known = {
        p.position: p.this_week.known_pct if p.this_week else 0.0
        for p in report.bins[0].positions
        if p.quantity is Quantity.TEMPERATURE
    }
    # 169 h in the week; 7.5 h of silence before the move and an hour after, each but for one spacing
    assert known[Position.CORE] == pytest.approx(100 * (84 - 7.5) / 169, abs=0.3)
    assert known[Position.BASE] == pytest.approx(100 * (85 - 1.0) / 169, abs=0.3)
    garden.close()


def test_the_same_week_made_again_gives_the_same_and_late_readings_are_counted(tmp_path: Path) -> None:
    garden = WEEKS["dry"](tmp_path)
    end = garden.week.to_ms
    first = weekly(garden.ledger, garden.readings, garden.week.name, end + HOUR_MS)
    channel = 2
    garden.readings.add([Reading(channel, end + minute * 60_000, 10.0, end) for minute in range(0, 600, 10)])
    again = weekly(garden.ledger, garden.readings, garden.week.name, end + 20 * HOUR_MS)
    assert again == first  # what came after the week is not looked at
    late = [
        Reading(channel, garden.from_ms + round(h * HOUR_MS), 74.0, end) for h in np.arange(30.2, 37.4, 1 / 6)
    ]
    garden.readings.add(late)
    filled = weekly(garden.ledger, garden.readings, garden.week.name, end + 20 * HOUR_MS)
    known = [report.bins[0].positions[1].this_week.known_pct for report in (first, filled)]  # type: ignore[union-attr]
    assert known[1] > known[0] + 3.0
    garden.close()
