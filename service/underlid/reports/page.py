"""A report as a page of HTML: with drawings inside it, for screen and print, or as a letter with images beside it."""

import re
from collections.abc import Callable
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from underlid.model import Letter, Quantity
from underlid.reports import say, text
from underlid.reports.charts import Curve, lines_chart, shares_chart, week_chart
from underlid.reports.daily import DailySummary, Item
from underlid.reports.drawing import Drawing, as_png, as_svg
from underlid.reports.report import Watched, WeeklyReport
from underlid.rules.words import hours

TEMPLATES = Path(__file__).parent / "templates"
SHOWN = (Quantity.MOISTURE, Quantity.TEMPERATURE)
MOST_IMAGES = 24  # of a letter: more bins than half of it, and only those with something to tell are drawn

_NUMBER_AND_UNIT = re.compile(r"(\d) (?=(?:°C|%|kg|L|h|min|days|points|dBm|V|bins?)(?!\w))")

Show = Callable[[Drawing], Markup]


@cache
def environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["sentence"] = lambda words: words[:1].upper() + words[1:]
    return made


@cache
def style() -> Markup:
    """The style sheet, which is ours and holds no mark-up."""
    return Markup((TEMPLATES / "style.css").read_text("utf-8"))


def weekly_page(report: WeeklyReport) -> str:
    """The whole report as one page that needs nothing else."""
    return _weekly(report, _inline, lambda _: True)


def weekly_letter(report: WeeklyReport) -> Letter:
    """The report as mail. Of a large farm, only the bins with an alarm or a task are drawn."""
    album = Album()
    asked = {(task.subject_kind, task.subject_id) for task in report.tasks}
    few = len(report.things) * len(SHOWN) <= MOST_IMAGES
    html = _weekly(
        report, album.show, lambda thing: few or bool(thing.alarms) or (thing.kind, thing.id) in asked
    )
    return Letter(html, album.images)


def daily_page(summary: DailySummary) -> str:
    return _daily(summary, _inline)


def daily_letter(summary: DailySummary) -> Letter:
    album = Album()
    html = _daily(summary, album.show)
    return Letter(html, album.images)


class Album:
    """Drawings as images that a letter shows by their names."""

    def __init__(self) -> None:
        self.images: dict[str, bytes] = {}

    def show(self, drawing: Drawing) -> Markup:
        name = f"chart{len(self.images) + 1}.png"
        self.images[name] = as_png(drawing)
        return Markup('<img src="cid:{}" width="{}" height="{}" alt="{}">').format(
            name, drawing.width, drawing.height, drawing.title
        )


def _inline(drawing: Drawing) -> Markup:
    return Markup(as_svg(drawing))


def _joined(html: str) -> str:
    """A page whose numbers stay on one line with their units; what is inside of tags is left alone."""
    return re.sub(r">[^<]+", lambda words: _NUMBER_AND_UNIT.sub("\\1\N{NO-BREAK SPACE}", words[0]), html)


def _weekly(report: WeeklyReport, show: Show, drawn: Callable[[Watched], bool]) -> str:
    def week(thing: Watched, quantity: Quantity) -> Markup | None:
        drawing = week_chart(report, thing, quantity) if drawn(thing) else None
        return None if drawing is None else show(drawing)

    def shares() -> Markup | None:
        drawing = shares_chart(report)
        return None if drawing is None else show(drawing)

    one = report.things[0] if report.about is not None else None
    return _joined(
        environment()
        .get_template("weekly.html.j2")
        .render(
            report=report,
            one=one,
            title=f"{one.name}: the week" if one is not None else "The week of the bins",
            zone=report.time_zone,
            tasks=say.tasks(report.tasks),
            quantities=SHOWN,
            week=week,
            shares=shares,
            say=say,
            text=text,
            hours=hours,
            style=style(),
        )
    )


def _daily(summary: DailySummary, show: Show) -> str:
    drawn: set[tuple[str, str, str]] = set()

    def draw(item: Item) -> Markup | None:
        """The item's two days, once for each thing and quantity."""
        for trace in summary.traces:
            key = (trace.subject_kind, trace.subject_id, trace.quantity)
            if key == (item.subject_kind, item.subject_id, item.quantity) and key not in drawn:
                drawn.add(key)
                curves = [Curve(at, trace.low, trace.high, hourly) for at, hourly in trace.curves.items()]
                zone = summary.time_zone
                drawing = lines_chart(trace.name, trace.quantity, curves, trace.start, zone)
                return None if drawing is None else show(drawing)
        return None

    template = environment().get_template("daily.html.j2")
    return _joined(template.render(summary=summary, say=say, draw=draw, style=style()))
