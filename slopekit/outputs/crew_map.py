"""The map of a crew sheet: one parcel in black and white, north up, with the coordinates of its corners."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from reportlab.pdfgen.canvas import Canvas

from slopekit.outputs import crew_marks as marks
from slopekit.outputs import symbology
from slopekit.outputs.crew_places import Box, Taken
from slopekit.outputs.mapaids import round_length, short_id
from slopekit.outputs.pdf_place import Viewport, corners, grid_north_deg
from slopekit.outputs.pdf_text import BOLD, width, write
from slopekit.wording import Units

Rows = Mapping[str, Sequence[Mapping[str, Any]]]
"""Rows of the registry's layers for one parcel, with their geometries, missing values as None."""

DROPS_NAMED = 12
"""The highest drops have their heights on the map: more would bury the zones."""
ABOVE, BELOW = 17.0, 20.0
"""Points over the frame, for coordinates and north, and under it, for coordinates and the scale."""
_MARGIN = 1.10
_LEAST_UNITS = 10.0
_SMALL = 7.5


def frame_of(rows: Rows, wide: float, high: float) -> Box:
    """West, south, east and north of what a frame of some points shows: the parcel and a little round it."""
    west, south, east, north = shapely.total_bounds([row["geometry"] for row in rows["parcels"]]).tolist()
    step = _MARGIN * max((east - west) / wide, (north - south) / high, _LEAST_UNITS / wide)
    x, y = (west + east) / 2.0, (south + north) / 2.0
    return x - step * wide / 2.0, y - step * high / 2.0, x + step * wide / 2.0, y + step * high / 2.0


def draw_map(pdf: Canvas, box: Box, rows: Rows, crs: str, metres_per_unit: float, units: Units) -> Viewport:
    """Draw the map in a box of the page, points. rows: geometries in `crs`. Gives the frame and what it shows."""
    frame = (box[0], box[1] + BELOW, box[2], box[3] - ABOVE)
    view = Viewport(frame, frame_of(rows, frame[2] - frame[0], frame[3] - frame[1]), crs)
    page = _Page(pdf, view)
    pdf.saveState()
    clip = pdf.beginPath()
    clip.rect(frame[0], frame[1], frame[2] - frame[0], frame[3] - frame[1])
    pdf.clipPath(clip, stroke=0, fill=0)
    _areas(page, rows)
    _lines(page, rows)
    pdf.restoreState()
    _names(page, rows, units)
    pdf.setStrokeGray(0.0)
    pdf.setLineWidth(0.8)
    pdf.rect(frame[0], frame[1], frame[2] - frame[0], frame[3] - frame[1])
    _round_it(pdf, view, metres_per_unit, units)
    return view


class _Page:
    """Shapes of the ground in points of the page."""

    def __init__(self, pdf: Canvas, view: Viewport) -> None:
        self.pdf, self.frame = pdf, view.box
        self._scale = (view.box[2] - view.box[0]) / (view.ground[2] - view.ground[0])
        self._low = np.array(view.ground[:2])
        self._shown = shapely.box(*view.ground)
        # Beyond the frame by more than any line is wide, so that no edge is drawn along it.
        self._roomy = self._shown.buffer(20.0 / self._scale)

    def __call__(self, shape: Any) -> Any:
        return shapely.transform(shape, lambda xy: (xy - self._low) * self._scale + np.array(self.frame[:2]))

    def polygons(self, shape: Any) -> list[shapely.Polygon]:
        parts = shapely.get_parts(shapely.intersection(shape, self._roomy))
        return [self(part) for part in parts if part.geom_type == "Polygon" and not part.is_empty]

    def lines(self, shape: Any) -> list[list[tuple[float, float]]]:
        """Lines that meet the frame, whole."""
        parts = [part for part in shapely.get_parts(shape) if self._shown.intersects(part)]
        return [shapely.get_coordinates(self(part)).tolist() for part in parts]

    def seen(self, shape: Any) -> list[Any]:
        """What the frame shows of it, as single shapes, the largest first."""
        parts = [self(part) for part in shapely.get_parts(shapely.intersection(shape, self._shown))]
        return sorted((part for part in parts if part.length > 0.0), key=lambda part: (-part.area, -part.length))


def _areas(page: _Page, rows: Rows) -> None:
    pdf = page.pdf
    shapes = [(row, page.polygons(row["geometry"])) for row in rows["zones"]]
    for row, polygons in shapes:
        if polygons:
            path = marks.path_of(pdf, polygons)
            marks.pattern(pdf, path, tuple(shapely.total_bounds(polygons).tolist()), row["machine_class"])
    for row, polygons in shapes:
        spot = short_id(row["zone_id"], row["parcel_id"]).startswith("s")
        marks.outline(pdf, marks.path_of(pdf, polygons), 1.1 if spot else 0.6)
    for row in rows["water"]:
        maybe = may_be_water(row)
        path = marks.path_of(pdf, page.polygons(row["geometry"]))
        marks.fill(pdf, path, marks.MAYBE_WATER if maybe else marks.WATER)
        marks.outline(pdf, path, 1.0, (3.0, 2.0) if maybe else ())
    for row in rows["corrections"]:
        marks.outline(pdf, marks.path_of(pdf, page.polygons(row["geometry"])), *marks.SAID)
    for row in rows["parcels"]:
        marks.outline(pdf, marks.path_of(pdf, page.polygons(row["geometry"])), *marks.PARCEL)


def may_be_water(row: Mapping[str, Any]) -> bool:
    """Whether a row of layer `water` is inferred from the ground and nobody said so."""
    return any(mark.where is not None and row["origin"] == mark.where[2] for mark in _MAYBE)


_MAYBE = (symbology.INFERRED_WATER, symbology.POSSIBLE_WATER)


def _lines(page: _Page, rows: Rows) -> None:
    for row in rows["drops"]:
        for points in page.lines(row["geometry"]):
            marks.drop(page.pdf, points)
    kinds: list[tuple[Iterable[Mapping[str, Any]], tuple[float, tuple[float, ...]], bool]] = [
        ([row for row in rows["routes"] if row["direction"] == "out"], marks.ROUTE_OUT, True),
        ([row for row in rows["routes"] if row["direction"] == "in"], marks.ROUTE, True),
        (rows["directions"], marks.FIRST_PASS, True),
    ]
    for some, (thick, dash), arrow in kinds:
        for row in some:
            for points in page.lines(row["geometry"]):
                marks.line(page.pdf, points, thick, dash, arrow)


def _names(page: _Page, rows: Rows, units: Units) -> None:
    """Marks and names, those first that must lie where they are."""
    pdf, taken = page.pdf, Taken(page.frame)
    for row in rows["starts"]:
        x, y = shapely.get_coordinates(page(row["geometry"]))[0].tolist()
        marks.start(pdf, x, y)
        taken.put(x, y, 12.0, 12.0)
    for number, (x, y) in _entrances(page, rows).items():
        spot = taken.place([(x, y)], *marks.tag_size(f"E{number}"))
        if spot is not None:
            marks.tag(pdf, *spot, f"E{number}", dark=True)
    zones = sorted(rows["zones"], key=lambda row: -row["geometry"].area)
    for row in zones:
        _zone_name(page, taken, row)
    for row in zones:
        if (row["marginal_share"] or 0.0) > symbology.MARGINAL_FROM:
            place = _middle(page.seen(row["geometry"]))
            if place is not None and (at := taken.place([place[:2]], 12.0, 12.0)) is not None:
                _lead(pdf, at, place[:2])
                marks.measure(pdf, *at)
    for row in sorted(rows["drops"], key=lambda row: -(row["height_m"] or 0.0))[:DROPS_NAMED]:
        _drop_name(page, taken, row, units)
    for row in rows["water"]:
        word = "water?" if may_be_water(row) else "water"
        place = _middle(page.seen(row["geometry"]))
        size = width(word, _SMALL) + 2.0, _SMALL + 2.0
        if (
            place is not None
            and place[2] > size[1]
            and (at := taken.place([place[:2]], *size, leader=False)) is not None
        ):
            write(pdf, at[0] - size[0] / 2.0 + 1.0, at[1] - 2.6, word, _SMALL)


def _entrances(page: _Page, rows: Rows) -> dict[int, tuple[float, float]]:
    """Where routes begin, by number of the entrance: as far as the frame shows them."""
    found: dict[int, tuple[float, float]] = {}
    for row in rows["routes"]:
        seen = shapely.get_coordinates(shapely.intersection(row["geometry"], page._shown))
        if row["direction"] == "in" and len(seen):
            found.setdefault(int(row["entrance"]), tuple(page(shapely.Point(seen[0])).coords[0]))
    return found


def _middle(parts: Sequence[Any]) -> tuple[float, float, float] | None:
    """The roomiest place of the largest polygon, and the room round it; None without one."""
    if not parts or parts[0].geom_type != "Polygon":
        return None
    ray = shapely.get_coordinates(shapely.maximum_inscribed_circle(parts[0], 0.5))
    return (*ray[0].tolist(), float(np.hypot(*(ray[1] - ray[0]))))


def _zone_name(page: _Page, taken: Taken, row: Mapping[str, Any]) -> None:
    name, parts = short_id(row["zone_id"], row["parcel_id"]), page.seen(row["geometry"])
    place = _middle(parts)
    if place is None:
        return
    x, y, room = place
    wide, high = marks.tag_size(name)
    inside = room >= 0.45 * wide
    # On a small zone the name stands beside it, so that its pattern is seen.
    spot = taken.place([(x, y)] if inside else _beside(x, y, wide, high), wide, high)
    if spot is not None:
        _lead(page.pdf, spot, (x, y))
        marks.tag(page.pdf, *spot, name)


def _lead(pdf: Canvas, spot: tuple[float, float], place: tuple[float, float]) -> None:
    """A thin line from a mark to the place that it speaks of, where it does not stand there."""
    if spot != place:
        marks.line(pdf, [spot, place], 0.6, halo=0.7)
        pdf.setFillGray(0.0)
        pdf.circle(*place, 1.3, stroke=0, fill=1)


def _beside(x: float, y: float, wide: float, high: float) -> list[tuple[float, float]]:
    across, up = wide / 2.0 + 5.0, high / 2.0 + 5.0
    return [(x + i * across, y + j * up) for i, j in ((1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1.4), (0, -1.4))]


def _drop_name(page: _Page, taken: Taken, row: Mapping[str, Any], units: Units) -> None:
    seen = page.seen(row["geometry"])
    if not seen or row["height_m"] is None:
        return
    text = units.length(row["height_m"])
    wide, high = marks.tag_size(text, _SMALL)
    point = seen[0].interpolate(0.5, normalized=True)
    beside = [(point.x + i * (wide / 2.0 + 4.0), point.y + j * 9.0) for i, j in ((1, 0), (-1, 0), (0, 1), (0, -1))]
    at = taken.place(beside, wide, high)
    if at is not None:
        if at not in beside:
            _lead(page.pdf, at, (point.x, point.y))
        marks.tag(page.pdf, *at, text, size=_SMALL)


def _round_it(pdf: Canvas, view: Viewport, metres_per_unit: float, units: Units) -> None:
    """Coordinates of the corners, the north arrow and the scale bar, outside the frame."""
    left, bottom, right, top = view.box
    for name, (lat, lon) in corners(view).items():
        text = f"{lat:.5f}, {lon:.5f}"
        x = left if name.endswith("w") else right - width(text, _SMALL)
        write(pdf, x, top + 4.0 if name.startswith("n") else bottom - 9.0, text, _SMALL)
    middle = (left + right) / 2.0
    turned = grid_north_deg(view)
    side = "left" if turned > 0.0 else "right"
    told = f"true north is {abs(turned):.0f}° to the {side}" if abs(turned) >= 0.5 else ""
    write(pdf, middle + 9.0, top + 4.0, told, 7.0)
    path = pdf.beginPath()
    path.moveTo(middle, top + 16.0)
    for x, y in ((4.0, 3.0), (0.0, 6.0), (-4.0, 3.0)):
        path.lineTo(middle + x, top + y)
    path.close()
    pdf.setFillGray(0.0)
    pdf.drawPath(path, stroke=0, fill=1)
    write(pdf, middle - 15.0, top + 4.0, "N", 10.0, BOLD)
    metres, sign = units.bar
    across = (view.ground[2] - view.ground[0]) * metres_per_unit / metres
    long = round_length(across / 4.0)
    points = long / across * (right - left)
    x, y = middle - points / 2.0, bottom - 17.0
    pdf.setLineWidth(0.6)
    pdf.setStrokeGray(0.0)
    for half, grey in ((0, 0.0), (1, 1.0)):
        pdf.setFillGray(grey)
        pdf.rect(x + half * points / 2.0, y, points / 2.0, 5.0, stroke=1, fill=1)
    write(pdf, x - 9.0, y, "0", _SMALL)
    write(pdf, x + points + 4.0, y, f"{long:g} {sign}", _SMALL)
