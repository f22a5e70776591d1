"""Between the stores and what is pure: weekly reports made, kept, found again, and made anew."""

from dataclasses import dataclass

from underlid.model import Letter
from underlid.reports.daily import DailySummary
from underlid.reports.material import Basis, gather, take_basis
from underlid.reports.report import WeeklyReport
from underlid.reports.week import Week, week_named, week_of
from underlid.reports.weekly import weekly_report
from underlid.store import catalogue, reports
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings

WEEKLY = "weekly"


class NoReportError(Exception):
    """There can be no report on this: one line that says why."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A week with readings; `made_ms` is when its report was kept, None: it is computed when asked for."""

    week: Week
    made_ms: int | None


def weeks(ledger: Ledger, readings: Readings, now_ms: int) -> list[Listed]:
    """The weeks there are readings of, newest first, the present one among them."""
    with ledger.reading() as connection:
        zone = _zone(ledger)
        made = reports.made(connection, WEEKLY)
        ids = [channel.id for channel in catalogue.channels(connection)]
    first_ms = readings.first_ms(ids)
    found: list[Listed] = []
    if first_ms is not None:
        week = week_of(now_ms, zone)
        while week.to_ms > first_ms:
            found.append(Listed(week, made.get(week.name)))
            week = week.before
    return found


def weekly(ledger: Ledger, readings: Readings, name: str, now_ms: int, anew: bool = False) -> WeeklyReport:
    """The kept report on a week, else one computed now; `anew`: computed now in any case, and not kept.

    A week whose report is kept is computed from the catalogue of that time, so that the same readings give the same
    figures. Raises ValueError for what is no week, NoReportError for one that has not begun.
    """
    with ledger.reading() as connection:
        week = week_named(name, _zone(ledger))
        kept = reports.kept(connection, WEEKLY, week.name)
        if kept is not None and not anew:
            return WeeklyReport.model_validate(kept.body)
        basis = Basis.from_json(kept.basis) if kept is not None else take_basis(connection, now_ms)
        if week.from_ms >= now_ms:
            raise NoReportError(f"the week {week.name} has not begun yet")
        return weekly_report(gather(connection, readings, week, min(week.to_ms, now_ms), basis))


def keep_weekly(ledger: Ledger, readings: Readings, name: str, now_ms: int) -> WeeklyReport:
    """Compute the report on a week that is over and keep it, with what it was first made from.

    Raises ValueError for what is no week, NoReportError for one that is not over.
    """
    week = week_named(name, _zone(ledger))
    if week.to_ms > now_ms:
        raise NoReportError(
            f"the week {week.name} is not over yet; its report can be looked at, but not kept"
        )
    with ledger.reading() as connection:
        kept = reports.kept(connection, WEEKLY, week.name)
        basis = Basis.from_json(kept.basis) if kept is not None else take_basis(connection, now_ms)
        report = weekly_report(gather(connection, readings, week, week.to_ms, basis))
    with ledger.writing() as connection:
        body = report.model_dump(mode="json")
        reports.keep(connection, reports.Kept(WEEKLY, week.name, now_ms, basis.as_json(), body))
    return report


def made_ms(ledger: Ledger, name: str) -> int | None:
    """When the report on a week was kept."""
    with ledger.reading() as connection:
        kept = reports.kept(connection, WEEKLY, name)
    return kept.made_ms if kept is not None else None


def has_readings(ledger: Ledger, readings: Readings, week: Week) -> bool:
    """Whether anything was read before the week's end, and something in it."""
    with ledger.reading() as connection:
        ids = [channel.id for channel in catalogue.channels(connection)]
    first_ms = readings.first_ms(ids)
    if first_ms is None or first_ms >= week.to_ms:
        return False
    return any(len(readings.buckets(id_, week.from_ms, week.to_ms - 1, 1).time_ms) for id_ in ids)


def letter(ledger: Ledger, ref: str) -> Letter | None:
    """A kept report as mail, by `kind/name`; None for one that is not kept."""
    from underlid.reports.page import (
        daily_letter,
        weekly_letter,
    )  # pages and images: not at the service's start

    kind, _, name = ref.partition("/")
    with ledger.reading() as connection:
        kept = reports.kept(connection, kind, name)
    if kept is None:
        return None
    if kind == WEEKLY:
        return weekly_letter(WeeklyReport.model_validate(kept.body))
    return daily_letter(DailySummary.model_validate(kept.body))


def _zone(ledger: Ledger) -> str:
    with ledger.reading() as connection:
        farm = catalogue.farm(connection)
    assert farm is not None, "the farm is made when the service starts"
    return farm.time_zone
