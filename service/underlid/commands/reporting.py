"""`underlid report`: a week as text, page, table, JSON or PDF, to a file or to standard output; or today."""

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from underlid.ground import farm_stores
from underlid.model import SubjectKind
from underlid.reports import desk
from underlid.reports.daily import DailySummary
from underlid.reports.morning import summary_of
from underlid.reports.report import WeeklyReport
from underlid.reports.week import week_of
from underlid.settings import Settings
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings

FORMATS = ("text", "html", "csv", "json", "pdf")


def report(
    settings: Settings,
    what: str | None,
    bin_id: str | None,
    format_: str,
    keep: bool,
    to: Path | None,
    now_ms: int,
) -> None:
    """Write the report on a week (default: the last whole one), or `today`.

    Raises ValueError, OSError, StoreError, NoReportError and NoPdfError, each with one line.
    """
    if format_ not in FORMATS:
        raise ValueError(f"'{format_}' is no form of a report; there are {', '.join(FORMATS)}")
    if format_ == "pdf" and to is None and sys.stdout.isatty():
        raise ValueError("PDF is no text for a terminal; give a file with --to")
    with farm_stores(settings) as (farm, ledger, readings):
        if what == "today":
            if bin_id is not None or keep or format_ == "csv":
                raise ValueError("today's summary is for the whole farm, is not kept, and has no table")
            shown = _day_as(_today(ledger, readings, farm.time_zone, now_ms), format_)
        else:
            name = what or week_of(now_ms, farm.time_zone).before.name
            make = desk.keep_weekly if keep else desk.weekly
            found = make(ledger, readings, name, now_ms)
            shown = _week_as(found if bin_id is None else _of_bin(found, bin_id), format_)
    if to is not None:
        to.write_bytes(shown)
    else:
        sys.stdout.buffer.write(shown)
        sys.stdout.buffer.flush()


def _today(ledger: Ledger, readings: Readings, zone: str, now_ms: int) -> DailySummary:
    day = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(zone)).date()
    with ledger.reading() as connection:
        return summary_of(connection, readings, day, now_ms)


def _of_bin(found: WeeklyReport, bin_id: str) -> WeeklyReport:
    try:
        return found.only(SubjectKind.BIN, bin_id)
    except KeyError as error:
        known = ", ".join(thing.id for thing in found.bins) or "none"
        raise ValueError(f"the report has no bin '{bin_id}'; there are {known}") from error


def _week_as(found: WeeklyReport, format_: str) -> bytes:
    from underlid.reports.page import weekly_page
    from underlid.reports.sheet import as_csv
    from underlid.reports.text import as_text

    forms: dict[str, Callable[[WeeklyReport], str]] = {
        "text": as_text,
        "csv": as_csv,
        "json": lambda report: report.model_dump_json(indent=2) + "\n",
        "html": weekly_page,
        "pdf": weekly_page,
    }
    return _as_bytes(forms[format_](found), format_)


def _day_as(found: DailySummary, format_: str) -> bytes:
    from underlid.reports.page import daily_page

    if format_ == "text":
        return _as_bytes("\n".join([found.title, *found.lines, ""]), format_)
    if format_ == "json":
        return _as_bytes(found.model_dump_json(indent=2) + "\n", format_)
    return _as_bytes(daily_page(found), format_)


def _as_bytes(shown: str, format_: str) -> bytes:
    if format_ != "pdf":
        return shown.encode()
    from underlid.reports.pdf import as_pdf

    return as_pdf(shown)
