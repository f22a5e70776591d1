"""Reports: the weeks there are, one as JSON, page, text, table or PDF, and the day's summary."""

from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Response

from underlid.reports import desk
from underlid.reports.daily import DailySummary
from underlid.reports.morning import summary_of
from underlid.reports.report import WeeklyReport
from underlid.store import catalogue
from underlid.web.context import Context, Ctx
from underlid.web.edge import page_of, subject_from
from underlid.web.farm import Limit
from underlid.web.shapes import Page, WeekShape

router = APIRouter(prefix="/reports", tags=["reports"])

Form = Literal["page", "text", "csv", "pdf"]
MEDIA = {"page": "text/html", "text": "text/plain", "csv": "text/csv", "pdf": "application/pdf"}
# A page holds its own style and drawings, and may fetch nothing.
PAGE_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'self'"
}


@router.get("/weekly")
def list_weeks(ctx: Ctx, limit: Limit = 200, after: str | None = None) -> Page[WeekShape]:
    """Every week with readings, newest first, the present one among them."""
    found = desk.weeks(ctx.ledger, ctx.readings, ctx.clock())
    rest = [each for each in found if after is None or each.week.name < after]
    shown, following = page_of(rest, lambda each: each.week.name, limit, None)
    return Page(
        items=[
            WeekShape(
                week=each.week.name,
                start=each.week.from_ms,
                end=each.week.to_ms,
                over=each.week.to_ms <= ctx.clock(),
                kept=each.made_ms,
            )
            for each in shown
        ],
        next=following,
    )


@router.get("/weekly/{week}")
def get_week(ctx: Ctx, week: str, subject: str | None = None, anew: bool = False) -> WeeklyReport:
    """The kept report on a week such as 2026-W47, else one computed now; `anew`: computed now in any case.

    `subject` (as bin/alder) gives what concerns one thing.
    """
    return _report(ctx, week, subject, anew)


@router.put("/weekly/{week}")
def keep_week(ctx: Ctx, week: str) -> WeeklyReport:
    """Compute the report on a week that is over anew and keep it, by the catalogue as it was at the first time."""
    try:
        report = desk.keep_weekly(ctx.ledger, ctx.readings, week, ctx.clock())
    except ValueError as error:
        raise HTTPException(422, f"{error}.") from error
    except desk.NoReportError as error:
        raise HTTPException(409, f"{str(error)[:1].upper()}{str(error)[1:]}.") from error
    ctx.nudge("report", week)
    return report


@router.get(
    "/weekly/{week}/{form}",
    response_class=Response,
    responses={200: {"content": {media: {} for media in MEDIA.values()}, "description": "The report"}},
)
def show_week(
    ctx: Ctx, week: str, form: Form, subject: str | None = None, paper: Literal["A4", "letter"] = "A4"
) -> Response:
    """The report as a page that reads in print, as plain text, as the table of its figures (CSV), or as PDF."""
    report = _report(ctx, week, subject, anew=False)
    name = f"underlid-{report.week}" + (f"-{subject.partition('/')[2]}" if subject else "")
    return Response(
        _shown(report, form, paper),
        media_type=MEDIA[form],
        headers={
            **(PAGE_HEADERS if form == "page" else {}),
            **(
                {"Content-Disposition": f'attachment; filename="{name}.{form}"'}
                if form in ("csv", "pdf")
                else {}
            ),
        },
    )


@router.get("/daily")
def get_day(ctx: Ctx) -> DailySummary:
    """What today asks for, as it is now."""
    return _day(ctx)


@router.get(
    "/daily/page",
    response_class=Response,
    responses={200: {"content": {"text/html": {}}, "description": "The summary"}},
)
def show_day(ctx: Ctx) -> Response:
    """What today asks for, as a page."""
    from underlid.reports.page import daily_page

    return Response(daily_page(_day(ctx)), media_type="text/html", headers=PAGE_HEADERS)


def _report(ctx: Context, week: str, subject: str | None, anew: bool) -> WeeklyReport:
    whose = subject_from(subject) if subject else None
    try:
        report = desk.weekly(ctx.ledger, ctx.readings, week, ctx.clock(), anew)
        return report if whose is None else report.only(whose.kind, whose.id)
    except ValueError as error:
        raise HTTPException(422, f"{error}.") from error
    except desk.NoReportError as error:
        raise HTTPException(404, f"{str(error)[:1].upper()}{str(error)[1:]}.") from error
    except KeyError as error:
        raise HTTPException(404, f"The report on {week} has nothing on '{subject}'.") from error


def _shown(report: WeeklyReport, form: Form, paper: Literal["A4", "letter"]) -> str | bytes:
    if form == "text":
        from underlid.reports.text import as_text

        return as_text(report)
    if form == "csv":
        from underlid.reports.sheet import as_csv

        return as_csv(report)
    from underlid.reports.page import weekly_page

    html = weekly_page(report)
    if form == "page":
        return html
    from underlid.reports.pdf import NoPdfError, as_pdf

    try:
        return as_pdf(html, paper)
    except NoPdfError as error:
        raise HTTPException(503, f"{error}.") from error


def _day(ctx: Context) -> DailySummary:
    now_ms = ctx.clock()
    with ctx.ledger.reading() as connection:
        farm = catalogue.farm(connection)
        assert farm is not None, "the farm is made when the service starts"
        today = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(farm.time_zone)).date()
        return summary_of(connection, ctx.readings, today, now_ms)
