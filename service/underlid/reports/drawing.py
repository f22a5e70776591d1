"""A small drawing of lines, areas and labels, as SVG for pages and print and as PNG for mail."""

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from itertools import pairwise
from typing import Literal

from PIL import Image, ImageDraw, ImageFont

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]
SCALE = 2  # dots of a PNG per unit, so that it is sharp on a phone
FONT = "system-ui, 'DejaVu Sans', sans-serif"


@dataclass(frozen=True, slots=True)
class Line:
    points: tuple[Point, ...]
    ink: str
    width: float = 1.5
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Area:
    points: tuple[Point, ...]
    ink: str


@dataclass(frozen=True, slots=True)
class Label:
    """Text whose baseline is at `at`."""

    at: Point
    text: str
    ink: str
    size: float = 11.0
    anchor: Anchor = "start"
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Drawing:
    """`title` says in words what is to be seen, for those who don't see it."""

    width: int
    height: int
    title: str
    marks: Sequence[Line | Area | Label]


def as_svg(drawing: Drawing) -> str:
    """An inline SVG; it grows and shrinks with its box."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {drawing.width} {drawing.height}" '
        f'width="{drawing.width}" height="{drawing.height}" role="img" '
        f'aria-label="{escape(drawing.title)}" font-family="{FONT}">'
    ]
    parts += [_svg(mark) for mark in drawing.marks]
    return "".join([*parts, "</svg>"])


def _svg(mark: Line | Area | Label) -> str:
    if isinstance(mark, Label):
        weight = ' font-weight="600"' if mark.bold else ""
        return (
            f'<text x="{mark.at[0]:.1f}" y="{mark.at[1]:.1f}" fill="{mark.ink}" font-size="{mark.size:g}" '
            f'text-anchor="{mark.anchor}"{weight}>{escape(mark.text)}</text>'
        )
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in mark.points)
    if isinstance(mark, Area):
        return f'<polygon points="{points}" fill="{mark.ink}"/>'
    dash = f' stroke-dasharray="{" ".join(f"{part:g}" for part in mark.dash)}"' if mark.dash else ""
    return (
        f'<polyline points="{points}" fill="none" stroke="{mark.ink}" stroke-width="{mark.width:g}" '
        f'stroke-linejoin="round"{dash}/>'
    )


def as_png(drawing: Drawing) -> bytes:
    image = Image.new("RGB", (drawing.width * SCALE, drawing.height * SCALE), "white")
    pen = ImageDraw.Draw(image)
    for mark in drawing.marks:
        if isinstance(mark, Label):
            font = _font(mark.size * SCALE)
            x, y = mark.at[0] * SCALE, mark.at[1] * SCALE
            anchor = {"start": "ls", "middle": "ms", "end": "rs"}[mark.anchor]
            text = mark.text.replace("\N{MINUS SIGN}", "\N{EN DASH}")  # Pillow's own font has no minus
            pen.text((x, y), text, mark.ink, font, anchor, stroke_width=0.4 if mark.bold else 0)
        elif isinstance(mark, Area):
            pen.polygon([(x * SCALE, y * SCALE) for x, y in mark.points], fill=mark.ink)
        else:
            width = max(round(mark.width * SCALE), 1)
            for dash in _dashes(mark):
                pen.line([(x * SCALE, y * SCALE) for x, y in dash], mark.ink, width, joint="curve")
    out = io.BytesIO()
    image.quantize(64).save(out, "PNG", optimize=True)
    return out.getvalue()


@cache
def _font(size: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """A font of the system that knows many scripts, else the one that Pillow brings."""
    try:
        return ImageFont.truetype("DejaVuSans.ttf", size)
    except OSError:
        return ImageFont.load_default(size)


def _dashes(line: Line) -> Iterator[list[Point]]:
    """The strokes of a line, as SVG's stroke-dasharray makes them."""
    if not line.dash:
        yield list(line.points)
        return
    turn, left, is_on = 0, line.dash[0], True
    stroke = [line.points[0]]
    for (x, y), (to_x, to_y) in pairwise(line.points):
        length = ((to_x - x) ** 2 + (to_y - y) ** 2) ** 0.5
        done = 0.0
        while length - done > left:
            done += left
            at = (x + (to_x - x) * done / length, y + (to_y - y) * done / length)
            if is_on:
                yield [*stroke, at]
            turn, is_on, stroke = turn + 1, not is_on, [at]
            left = line.dash[turn % len(line.dash)]
        left -= length - done
        if is_on:
            stroke.append((to_x, to_y))
        else:
            stroke = [(to_x, to_y)]
    if is_on and len(stroke) > 1:
        yield stroke
