"""What a report copies from the ledger and adds up: things, alarms, log, totals, tasks; in all invented weeks."""

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from tests.reports.weeks import ALDER, HOUR_MS, RAGGED, WEEKS, Garden

from underlid.model import Subject, SubjectKind
from underlid.reports.desk import keep_weekly, weekly
from underlid.reports.report import WeeklyReport
from underlid.store import alarms, catalogue
from underlid.store import log as keepers_log

Told = tuple[Garden, WeeklyReport]


@pytest.fixture(params=RAGGED)
def told(request: pytest.FixtureRequest, gardens: dict[str, Told]) -> Told:
    return gardens[request.param]


def names(garden: Garden) -> dict[tuple[str, str], str]:
    with garden.ledger.reading() as connection:
        things = {
            "place": catalogue.places(connection),
            "bin": catalogue.bins(connection),
            "feed-store": catalogue.feed_stores(connection),
            "probe": catalogue.probes(connection),
        }
    return {(kind, each.id): each.name for kind, of_it in things.items() for each in of_it}


def test_a_report_says_of_which_farm_and_week_it_is(told: Told) -> None:
    garden, report = told
    assert (report.farm, report.time_zone, report.about) == ("Walled garden", "Europe/Vienna", None)
    start, end = (
        datetime.fromtimestamp(at / 1000, ZoneInfo("Europe/Vienna")) for at in (report.start, report.end)
    )
    year, number, weekday = start.isocalendar()
    assert report.week == f"{year}-W{number:02}"
    assert (weekday, start.hour, end.isoweekday(), end.hour) == (1, 0, 1, 0)
    assert (end.date() - start.date()).days == 7
    assert report.whole is True
    part = weekly(garden.ledger, garden.readings, garden.week.name, report.start + 50 * HOUR_MS)
    assert (part.whole, part.end) == (False, report.start + 50 * HOUR_MS)


def test_everything_of_the_farm_is_in_it_once(told: Told) -> None:
    garden, report = told
    known = {key: name for key, name in names(garden).items() if key[0] != "probe"}
    assert {(t.kind, t.id): t.name for t in report.things} == known
    assert len(report.things) == len(known)
    assert report.totals.bins == sum(kind == "bin" for kind, _ in known)
    with garden.ledger.reading() as connection:
        where = {p.name: p.outdoors for p in catalogue.places(connection)}
    assert all(where[thing.place] == thing.outdoors for thing in report.things)
    sitting = {probe for thing in report.things for position in thing.positions for probe in position.probes}
    assert sitting == {probe.name for probe in report.probes}


def test_totals_are_the_sums_over_the_bins(told: Told) -> None:
    garden, report = told
    with garden.ledger.reading() as connection:
        log = keepers_log.entries(connection, garden.week.before.from_ms, garden.week.to_ms)
    now = [e for e in log if e.at_ms >= garden.from_ms]
    before = [e for e in log if e.at_ms < garden.from_ms]

    def total(kind: str, what: str, of: object) -> float:
        return sum(getattr(e, what) or 0.0 for e in of if e.kind == kind)  # type: ignore[attr-defined]

    totals = report.totals
    assert totals.fed_kg == pytest.approx(total("fed", "amount_kg", now))
    assert totals.fed_before_kg == pytest.approx(total("fed", "amount_kg", before))
    assert totals.litres == pytest.approx(total("wetted", "amount_l", now))
    assert totals.litres_before == pytest.approx(total("wetted", "amount_l", before))
    assert totals.harvested_kg == pytest.approx(total("harvest", "amount_kg", now))


def test_the_weeks_log_is_told_as_it_was_written(told: Told) -> None:
    garden, report = told
    with garden.ledger.reading() as connection:
        log = keepers_log.entries(connection, garden.from_ms, garden.week.to_ms - 1)[::-1]
    called = names(garden)
    assert [
        (e.at, e.subject_kind, e.subject_id, e.name, e.kind, e.kg, e.litres, e.what, e.note, e.later)
        for e in report.log
    ] == [
        (
            e.at_ms, e.subject.kind, e.subject.id, called[e.subject.kind, e.subject.id], e.kind,
            e.amount_kg, e.amount_l, e.what, e.note, None,
        )
        for e in log
    ]  # fmt: skip
    assert report.log_changed_later == []


def test_each_alarm_is_told_as_it_was_raised_and_as_it_ended(told: Told) -> None:
    garden, report = told
    with garden.ledger.reading() as connection:
        found = {}
        for alarm in alarms.alarms(connection):
            steps = {step.cause: step.at_ms for step in alarms.history(connection, alarm)}
            found[alarm.subject, alarm.rule] = (alarm.finding, steps)
    called = names(garden)
    assert len(report.alarms) == len(found)
    for line in report.alarms:
        finding, steps = found[Subject(line.subject_kind, line.subject_id), line.rule]
        assert finding is not None
        assert line.name == called[line.subject_kind, line.subject_id]
        assert (line.priority, line.forecast) == (finding.priority, finding.forecast)
        assert (line.headline, line.advice) == (finding.headline, finding.advice)
        assert (line.raised, line.acknowledged, line.returned) == (
            steps["raised"],
            steps.get("acknowledged"),
            steps.get("returned"),
        )
        ends = [steps[cause] for cause in ("acknowledged", "returned") if cause in steps]
        hours = (min(ends) - steps["raised"]) / HOUR_MS if ends else None
        assert line.dealt_h == (None if hours is None else pytest.approx(hours, abs=0.051))
        assert line.standing is ("returned" not in steps)
    for thing in report.things:
        assert thing.alarms == [
            a for a in report.alarms if (a.subject_kind, a.subject_id) == (thing.kind, thing.id)
        ]


def test_tasks_are_the_standing_alarms_advice_and_what_the_figures_ask_for(told: Told) -> None:
    _, report = told
    by_bin = {thing.id: thing for thing in report.bins}
    assert [task.priority for task in report.tasks] == sorted(
        (task.priority for task in report.tasks), key=["urgent", "today", "round", "info"].index
    )
    for alarm in report.alarms:
        if alarm.standing:
            assert (alarm.subject_id, alarm.name, alarm.advice, alarm.priority) in [
                (t.subject_id, t.name, t.words, t.priority) for t in report.tasks
            ]
    for id_, thing in by_bin.items():
        said = " ".join(t.words for t in report.tasks if (t.subject_kind, t.subject_id) == ("bin", id_))
        if thing.outlook is None:
            assert said == ""
            continue
        assert thing.outlook.ration_kg_per_week is not None
        goes, left = (thing.food.goes_kg, thing.food.left_kg) if thing.food is not None else (0.0, 0.0)
        give = thing.outlook.ration_kg_per_week - goes
        if give >= 0.1:
            assert f"Feed about {give:.1f} kg over the week; {left:.1f} kg is left." in said
        assert ("Split it" in said) is thing.outlook.split_due
        assert thing.outlook.worm_told is not None
        half_a_year_ago = report.end - 182.4 * 24 * HOUR_MS
        assert ("Weigh or guess its worms" in said) is (thing.outlook.worm_told < half_a_year_ago)
        end = datetime.fromtimestamp(report.end / 1000, ZoneInfo(report.time_zone)).date()
        on = thing.outlook.harvest_on
        assert ("Castings should be ready" in said) is (on is not None and (on - end).days <= 7)


def test_what_was_changed_of_the_log_after_the_first_report_is_said(tmp_path: Path) -> None:
    garden = WEEKS["dry"](tmp_path)
    end = garden.week.to_ms
    keep_weekly(garden.ledger, garden.readings, garden.week.name, end)
    garden.did(50.0, ALDER, "fed", kg=0.3, what="late kale")
    with garden.ledger.writing() as connection:
        [old] = keepers_log.entries(connection, garden.from_ms, end, ALDER, kind="wetted")
        keepers_log.set_deleted(connection, old.id, end + HOUR_MS)
    anew = weekly(garden.ledger, garden.readings, garden.week.name, end + 2 * HOUR_MS, anew=True)
    garden.close()
    assert [(e.later, e.kind, e.subject_kind) for e in anew.log_changed_later] == [
        ("entered", "fed", SubjectKind.BIN),
        ("deleted", "wetted", SubjectKind.BIN),
    ]
