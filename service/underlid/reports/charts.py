"""The charts of a report: a week's lines at one thing, and the shares of a farm. Told apart in grey as well."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from underlid.model import Position, Quantity
from underlid.reports.drawing import Area, Drawing, Label, Line, Point
from underlid.reports.figures import share_of
from underlid.reports.report import Watched, WeeklyReport
from underlid.reports.say import share
from underlid.rules.words import POSITION_WORDS
from underlid.timeofday import moment_ms

INK, FAINT, GRID, BAND, LIMIT = "#1f2a22", "#5c6b60", "#d5dcd3", "#eaf2e4", "#8a6d1c"
# Ink and dash of a position: dark to light, and each with a stroke of its own.
STROKES: dict[Position, tuple[str, tuple[float, ...], float]] = {
    Position.TOP: ("#1d5c8a", (), 2.0),
    Position.CORE: ("#7a3b12", (7.0, 3.0), 1.8),
    Position.BASE: ("#4b7a2a", (2.0, 2.5), 1.8),
    Position.POCKET: ("#b3261e", (10.0, 2.5, 2.0, 2.5), 1.8),
    Position.FEED: ("#1d5c8a", (), 2.0),
    Position.AIR: ("#5c6b60", (3.0, 3.0), 1.5),
}
NAMES = {
    Quantity.MOISTURE: "Moisture, % water by mass",
    Quantity.TEMPERATURE: "Temperature, °C",
    Quantity.HUMIDITY: "Humidity, %",
}
WIDTH, HEIGHT = 480, 200
_LEFT, _RIGHT, _TOP, _BOTTOM = 36.0, 56.0, 28.0, 28.0
_LEAST_SPAN = 5.0  # of an upright axis, in degrees or points
_HOUR_MS = 3_600_000


def minus(text: str) -> str:
    """With a true minus sign."""
    return text.replace("-", "\N{MINUS SIGN}")


@dataclass(frozen=True, slots=True)
class Curve:
    """Hourly means at a position, None where nothing is known, and the bounds within which all is well."""

    position: Position
    low: float | None
    high: float | None
    hourly: Sequence[float | None]


def week_chart(report: WeeklyReport, thing: Watched, quantity: Quantity) -> Drawing | None:
    """One quantity at all positions of a thing over the week; None where nothing was read."""
    curves = [Curve(p.position, p.low, p.high, p.curve) for p in thing.positions if p.quantity is quantity]
    return lines_chart(thing.name, quantity, curves, report.start, report.time_zone, _hands(thing, quantity))


def lines_chart(
    name: str,
    quantity: Quantity,
    curves: Sequence[Curve],
    start_ms: int,
    zone_name: str,
    hands: Sequence[tuple[int, str]] = (),
) -> Drawing | None:
    """One quantity at some positions from a start on; `hands` are work done and when. None: nothing is known."""
    shown = [curve for curve in curves if any(value is not None for value in curve.hourly)]
    if not shown:
        return None
    values = [value for curve in shown for value in curve.hourly if value is not None]
    low, high, steps = _scale(values, [b for c in shown for b in (c.low, c.high) if b is not None])
    hours = len(shown[0].hourly)
    right, bottom = WIDTH - _RIGHT, HEIGHT - _BOTTOM

    def x(time_ms: float) -> float:
        return _LEFT + (right - _LEFT) * (time_ms - start_ms) / _HOUR_MS / hours

    def y(value: float) -> float:
        return bottom - (bottom - _TOP) * (min(max(value, low), high) - low) / (high - low)

    marks: list[Line | Area | Label] = []
    bounds = _bounds(shown)
    if bounds is not None:
        floor = bounds[0] if bounds[0] is not None else low
        ceiling = bounds[1] if bounds[1] is not None else high
        corners = ((_LEFT, y(floor)), (right, y(floor)), (right, y(ceiling)), (_LEFT, y(ceiling)))
        marks.append(Area(corners, BAND))
    for value in steps:
        marks.append(Line(((_LEFT, y(value)), (right, y(value))), GRID, 0.7))
        marks.append(Label((_LEFT - 6, y(value) + 4), minus(f"{value:g}"), FAINT, 11.5, "end"))
    for midnight_ms, day in _midnights(start_ms, start_ms + hours * _HOUR_MS, zone_name):
        at = x(midnight_ms)
        marks.append(Line(((at, _TOP), (at, bottom)), GRID, 0.7))
        if at < right - 30:
            marks.append(Label((at + 3, HEIGHT - 10), day, FAINT, 11.5))
    marks += [
        Line(((_LEFT, y(bound)), (right, y(bound))), LIMIT, 1.0, (1.5, 2.5))
        for bound in bounds or ()
        if bound is not None and low <= bound <= high
    ]
    for at_ms, word in hands:
        at = x(at_ms)
        marks.append(Line(((at, bottom), (at, bottom - 16)), INK, 1.2))
        marks.append(Area(((at - 4, bottom - 7), (at + 4, bottom - 7), (at, bottom)), INK))
        marks.append(Label((at + 5, bottom - 8), word, INK, 11.0))
    ends: list[tuple[float, Position]] = []
    for curve in shown:
        ink, dash, width = STROKES[curve.position]
        for piece in _unbroken(curve.hourly):
            points = tuple((x(start_ms + (hour + 0.5) * _HOUR_MS), y(value)) for hour, value in piece)
            if len(points) == 1:  # an hour alone is still seen
                points = ((points[0][0] - 1.5, points[0][1]), (points[0][0] + 1.5, points[0][1]))
            marks.append(Line(points, ink, width, dash))
        ends.append((points[-1][1], curve.position))
    for at, position in _apart(ends, 13.0, bottom):
        word = POSITION_WORDS[position].removeprefix("feed ")
        marks.append(Label((right + 6, at + 4), word, STROKES[position][0], bold=True))
    marks.append(Label((0, 14), NAMES[quantity], INK, 13.0, bold=True))
    return Drawing(WIDTH, HEIGHT, f"{name}: {NAMES[quantity]}: {_in_words(shown)}", marks)


def _in_words(shown: Sequence[Curve]) -> str:
    """What the lines do, for those who don't see them."""
    spans = [(c.position, [value for value in c.hourly if value is not None]) for c in shown]
    return "; ".join(minus(f"{POSITION_WORDS[p]} {min(known):.1f} to {max(known):.1f}") for p, known in spans)


def _midnights(start_ms: int, end_ms: int, zone_name: str) -> Iterator[tuple[int, str]]:
    """Where days begin, and what they are called."""
    zone = ZoneInfo(zone_name)
    day = datetime.fromtimestamp(start_ms / 1000, zone).date()
    while (at_ms := moment_ms(day, 0, zone)) <= end_ms:
        if at_ms >= start_ms:
            yield at_ms, f"{day:%a} {day.day}"
        day += timedelta(1)


def _bounds(shown: Sequence[Curve]) -> tuple[float | None, float | None] | None:
    """The bounds that all positions share, else those of most, which is the bedding's."""
    pairs = [(p.low, p.high) for p in shown if p.low is not None or p.high is not None]
    return max(pairs, key=pairs.count) if pairs else None


def _scale(values: Sequence[float], bounds: Sequence[float]) -> tuple[float, float, list[float]]:
    """From, to and steps of the upright axis: the values, and bounds that are not far off."""
    low, high = min(values), max(values)
    reach = max(high - low, 4.0)
    near = [bound for bound in bounds if low - reach <= bound <= high + reach]
    low, high = min([low, *near]), max([high, *near])
    if high - low < _LEAST_SPAN:  # a steady line stays one, and is not drawn as the probe's noise
        low, high = (low + high - _LEAST_SPAN) / 2.0, (low + high + _LEAST_SPAN) / 2.0
    step = next(step for step in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0) if (high - low) / step <= 5.5)
    low, high = math.floor(low / step - 0.1) * step, math.ceil(high / step + 0.1) * step
    return low, high, [low + step * i for i in range(round((high - low) / step) + 1)]


def _unbroken(curve: Sequence[float | None]) -> list[list[tuple[int, float]]]:
    """The curve in pieces without a hole."""
    pieces: list[list[tuple[int, float]]] = [[]]
    for hour, value in enumerate(curve):
        if value is not None:
            pieces[-1].append((hour, value))
        elif pieces[-1]:
            pieces.append([])
    return [piece for piece in pieces if piece]


def _apart(
    ends: Sequence[tuple[float, Position]], least: float, bottom: float
) -> list[tuple[float, Position]]:
    """Names at the ends of lines, moved so that none lies on another."""
    placed: list[tuple[float, Position]] = []
    for at, position in sorted(ends):
        placed.append((max(at, placed[-1][0] + least) if placed else at, position))
    over = placed[-1][0] - bottom if placed else 0.0
    return [(at - max(over, 0.0), position) for at, position in placed]


def _hands(thing: Watched, quantity: Quantity) -> list[tuple[int, str]]:
    """Feedings for the chart of temperature, water for that of moisture."""
    if quantity is Quantity.TEMPERATURE and thing.food is not None:
        return [(feeding.at, "fed") for feeding in thing.food.feedings]
    if quantity is Quantity.MOISTURE and thing.water is not None:
        return [(wetting.at, "water") for wetting in thing.water.wettings]
    return []


def shares_chart(report: WeeklyReport) -> Drawing | None:
    """Time in range of each bin, moisture and temperature, with a tick at the week before."""
    rows = []
    for thing in report.bins:
        row = [_share(thing, quantity) for quantity in (Quantity.MOISTURE, Quantity.TEMPERATURE)]
        if any(this is not None for this, _ in row):
            rows.append((thing.name, row))
    if not rows:
        return None
    height, left, wide, gap = 22, 110.0, 125.0, 58.0
    marks: list[Line | Area | Label] = []
    for column, title in enumerate(("Moist enough", "Warm as it should be")):
        marks.append(Label((left + column * (wide + gap), 14), title, INK, 12.5, bold=True))
    for index, (name, row) in enumerate(rows):
        top = 24.0 + index * height
        marks.append(Label((0, top + 12), name[:16], INK, 12.0))
        for column, (this, before) in enumerate(row):
            begin = left + column * (wide + gap)
            marks.append(Area(_box(begin, top + 2, wide, 12), BAND))
            if this is not None:
                marks.append(Area(_box(begin, top + 2, wide * this / 100.0, 12), "#4b7a2a"))
                marks.append(Label((begin + wide + 6, top + 12), share(this), INK, 11.5))
            if before is not None:
                at = begin + wide * before / 100.0
                marks.append(Line(((at, top - 1), (at, top + 17)), INK, 2.0))
    bottom = 24.0 + len(rows) * height
    marks.append(Label((left, bottom + 12), "bar: this week; upright stroke: the week before", FAINT, 11.0))
    return Drawing(WIDTH, round(bottom + 20), "Time in range of each bin, with the week before", marks)


def _box(x: float, y: float, width: float, height: float) -> tuple[Point, ...]:
    return (x, y), (x + width, y), (x + width, y + height), (x, y + height)


def _share(thing: Watched, quantity: Quantity) -> tuple[float | None, float | None]:
    return share_of(thing.positions, quantity, "this_week"), share_of(
        thing.positions, quantity, "week_before"
    )
