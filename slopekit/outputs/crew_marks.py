"""The marks of a crew sheet, in black and white: patterns of the classes, lines and points."""

import math
from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from slopekit.outputs.pdf_text import BOLD, width, write
from slopekit.schema.classes import CLASSES

Point = tuple[float, float]
Box = tuple[float, float, float, float]
"""Left, bottom, right and top, points."""

_DEGREES = {"/": (45.0,), "\\": (135.0,), "-": (0.0,), "|": (90.0,), "x": (45.0, 135.0), ".": (0.0,), "": ()}
_HATCH = {c.code: c.hatch for c in CLASSES}
# Points between two lines, and their width: closer and heavier the more a class is held back.
_PITCH = {"stand-on": (8.0, 0.4), "walk-behind": (6.0, 0.45), "remote-controlled": (4.5, 0.5), "hand crew": (6.5, 0.5)}
_REFUSED = (3.2, 0.9)
_DOTS = (5.0, 1.1)
_FILL = {"none": 0.78}
WATER, MAYBE_WATER = 0.80, 0.90
"""Greys of water that is known and of what may be water."""


def path_of(pdf: Canvas, polygons: Iterable[shapely.Polygon]) -> PDFPathObject:
    """One path of polygons in points, with their holes."""
    path = pdf.beginPath()
    for polygon in polygons:
        for ring in (polygon.exterior, *polygon.interiors):
            first, *others = shapely.get_coordinates(ring).tolist()
            path.moveTo(*first)
            for place in others[:-1]:
                path.lineTo(*place)
            path.close()
    return path


def fill(pdf: Canvas, path: PDFPathObject, grey: float) -> None:
    pdf.setFillGray(grey)
    pdf.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)


def outline(pdf: Canvas, path: PDFPathObject, thick: float, dash: Sequence[float] = ()) -> None:
    pdf.setStrokeGray(0.0)
    pdf.setLineWidth(thick)
    pdf.setDash(list(dash))
    pdf.drawPath(path, stroke=1, fill=0)
    pdf.setDash()


def pattern(pdf: Canvas, path: PDFPathObject, bounds: Box, code: str) -> None:
    """Fill a path with the pattern of a machine class. bounds: of the path."""
    if code in _FILL:
        fill(pdf, path, _FILL[code])
    degrees = _DEGREES[_HATCH[code]]
    if not degrees:
        return
    dots = _HATCH[code] == "."
    pitch, thick = _DOTS if dots else _PITCH.get(code, _REFUSED)
    pdf.saveState()
    pdf.clipPath(path, stroke=0, fill=0, fillMode=FILL_EVEN_ODD)
    pdf.setStrokeGray(0.0)
    pdf.setLineWidth(thick)
    if dots:
        # Dashes of no length with round ends.
        pdf.setLineCap(1)
        pdf.setDash([0.01, pitch])
    for turn in degrees:
        pdf.lines(_hatch(bounds, turn, pitch))
    pdf.restoreState()


def _hatch(bounds: Box, degrees: float, pitch: float) -> list[tuple[float, float, float, float]]:
    """Lines over a box, which go on from one box to the next."""
    along = np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])
    across = np.array([-along[1], along[0]])
    left, bottom, right, top = bounds
    corners = np.array([(left, bottom), (left, top), (right, bottom), (right, top)])
    low, high = (corners @ across).min(), (corners @ across).max()
    near, far = (corners @ along).min(), (corners @ along).max()
    levels = np.arange(math.ceil(low / pitch), math.floor(high / pitch) + 1) * pitch
    starts, ends = np.outer(levels, across) + near * along, np.outer(levels, across) + far * along
    return [tuple(line) for line in np.round(np.hstack([starts, ends]), 2).tolist()]


def drop(pdf: Canvas, points: Sequence[Point]) -> None:
    """The top edge of a drop: a heavy line with white dashes in it."""
    line(pdf, points, *DROP)
    line(pdf, points, 1.6, (3.0, 3.0), halo=0.0, grey=1.0)


def line(
    pdf: Canvas,
    points: Sequence[Point],
    thick: float,
    dash: Sequence[float] = (),
    arrow: bool = False,
    halo: float = 1.4,
    grey: float = 0.0,
) -> None:
    """A line with a white rim, so that it is seen on any pattern."""
    path = pdf.beginPath()
    path.moveTo(*points[0])
    for place in points[1:]:
        path.lineTo(*place)
    pdf.setLineCap(1)
    pdf.setLineJoin(1)
    if halo:
        pdf.setStrokeGray(1.0)
        pdf.setLineWidth(thick + 2.0 * halo)
        pdf.drawPath(path)
    pdf.setStrokeGray(grey)
    pdf.setLineWidth(thick)
    pdf.setLineCap(0)
    pdf.setDash(list(dash))
    pdf.drawPath(path)
    pdf.setDash()
    if arrow:
        _head(pdf, points, 4.0 + 2.0 * thick)


def _head(pdf: Canvas, points: Sequence[Point], size: float) -> None:
    """A solid arrow head at the end of a line, turned as its last stretch of that length."""
    (x, y) = points[-1]
    back = next((p for p in reversed(points[:-1]) if math.dist(p, (x, y)) >= size), points[0])
    away = math.dist(back, (x, y))
    if away == 0.0:
        return
    dx, dy = (x - back[0]) / away, (y - back[1]) / away
    path = pdf.beginPath()
    path.moveTo(x + 0.3 * size * dx, y + 0.3 * size * dy)
    for side in (0.45, -0.45):
        path.lineTo(x - size * dx + side * size * -dy, y - size * dy + side * size * dx)
    path.close()
    pdf.setLineWidth(0.8)
    pdf.setStrokeGray(1.0)
    pdf.setFillGray(0.0)
    pdf.drawPath(path, stroke=1, fill=1)


PARCEL = (2.0, ())
DROP = (4.0, ())
ROUTE, ROUTE_OUT = (1.2, (4.0, 2.4)), (1.2, (1.4, 2.0))
FIRST_PASS = (1.3, ())
SAID = (0.9, (2.5, 1.5))
"""Width and dashes of the lines, points."""


def start(pdf: Canvas, x: float, y: float) -> None:
    """Where the first pass begins."""
    _disc(pdf, x, y, 5.6, "S", 1.0)


def measure(pdf: Canvas, x: float, y: float) -> None:
    """Where the slope is to be measured."""
    _disc(pdf, x, y, 5.6, "M", 0.0)


def _disc(pdf: Canvas, x: float, y: float, radius: float, letter: str, grey: float) -> None:
    pdf.setLineWidth(1.1)
    pdf.setStrokeGray(1.0 - grey)
    pdf.setFillGray(grey)
    pdf.circle(x, y, radius, stroke=1, fill=1)
    write(pdf, x - width(letter, 7.5, BOLD) / 2.0, y - 2.7, letter, 7.5, BOLD, 1.0 - grey)


TAG_SIZE = 8.5


def tag_size(text: str, size: float = TAG_SIZE) -> tuple[float, float]:
    """Width and height of a tag."""
    return width(text, size, BOLD) + 4.0, size + 2.6


def tag(pdf: Canvas, x: float, y: float, text: str, dark: bool = False, size: float = TAG_SIZE) -> None:
    """A word in a box round a place. dark: white letters."""
    wide, high = tag_size(text, size)
    pdf.setLineWidth(0.5)
    pdf.setStrokeGray(0.0)
    pdf.setFillGray(0.0 if dark else 1.0)
    pdf.roundRect(x - wide / 2.0, y - high / 2.0, wide, high, 2.0, stroke=1, fill=1)
    write(pdf, x - wide / 2.0 + 2.0, y - 0.36 * size, text, size, BOLD, 1.0 if dark else 0.0)
