"""The legend of a crew sheet: what its map shows, and no more."""

from collections.abc import Callable

import shapely
from reportlab.pdfgen.canvas import Canvas

from slopekit.outputs import crew_marks as marks
from slopekit.outputs import symbology
from slopekit.outputs.crew_map import DROPS_NAMED, Rows, may_be_water
from slopekit.outputs.crew_marks import Box
from slopekit.schema.classes import CLASSES
from slopekit.wording import Units

Draw = Callable[[Canvas, Box], None]


def legend_of(rows: Rows, units: Units) -> list[tuple[Draw, str]]:
    """What the map shows of this parcel: how to draw a sample in a box, and words."""
    out: list[tuple[Draw, str]] = []
    here = {row["machine_class"] for row in rows["zones"]}
    out += [(_sample(one.code), one.label) for one in CLASSES if one.code in here]
    waters = {may_be_water(row) for row in rows["water"]}
    if False in waters:
        out.append((_grey(marks.WATER, ()), "Water"))
    if True in waters:
        out.append((_grey(marks.MAYBE_WATER, (3.0, 2.0)), "May be water: look on site"))
    if rows["drops"]:
        most = f" ({DROPS_NAMED} highest)" if len(rows["drops"]) > DROPS_NAMED else ""
        out.append((_drop, "Top edge of a drop, height in " + _UNIT_WORDS[units.bar[1]] + most))
    if rows["corrections"]:
        out.append((_stroke(marks.SAID, False), "Drawn on site"))
    out.append((_stroke(marks.PARCEL, False), "Parcel"))
    if rows["routes"]:
        out.append((_stroke(marks.ROUTE, True), "Route in from entrance E"))
    if any(row["direction"] == "out" for row in rows["routes"]):
        out.append((_stroke(marks.ROUTE_OUT, True), "Route out"))
    if rows["starts"]:
        out.append((_disc(marks.start), "Start of the first pass, at the foot"))
        out.append((_stroke(marks.FIRST_PASS, True), "First pass"))
    if any((row["marginal_share"] or 0.0) > symbology.MARGINAL_FROM for row in rows["zones"]):
        out.append((_disc(marks.measure), "Measure the slope here"))
    return out


_UNIT_WORDS = {"m": "metres", "ft": "feet"}


def _sample(code: str) -> Draw:
    def draw(pdf: Canvas, box: Box) -> None:
        shape = [shapely.box(*box)]
        marks.pattern(pdf, marks.path_of(pdf, shape), box, code)
        marks.outline(pdf, marks.path_of(pdf, shape), 0.6)

    return draw


def _grey(grey: float, dash: tuple[float, ...]) -> Draw:
    def draw(pdf: Canvas, box: Box) -> None:
        path = marks.path_of(pdf, [shapely.box(*box)])
        marks.fill(pdf, path, grey)
        marks.outline(pdf, path, 1.0, dash)

    return draw


def _stroke(style: tuple[float, tuple[float, ...]], arrow: bool) -> Draw:
    def draw(pdf: Canvas, box: Box) -> None:
        y = (box[1] + box[3]) / 2.0
        marks.line(pdf, [(box[0], y), (box[2] - (2.0 if arrow else 0.0), y)], *style, arrow=arrow)

    return draw


def _drop(pdf: Canvas, box: Box) -> None:
    y = (box[1] + box[3]) / 2.0
    marks.drop(pdf, [(box[0], y), (box[2], y)])


def _disc(mark: Callable[[Canvas, float, float], None]) -> Draw:
    return lambda pdf, box: mark(pdf, (box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0)
