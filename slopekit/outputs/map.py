"""A map to look at and to print: zones over hillshade, with the legend in words and the cautions beneath."""

import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.colors import to_rgba
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch, PathPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.transforms import Bbox

from slopekit.grid import Bounds, Grid
from slopekit.outputs import paper, symbology
from slopekit.outputs.mapaids import hillshade, label_places, round_length, short_id, spots_of
from slopekit.schema.classes import CLASSES
from slopekit.wording import UNITS, Units

_LEGEND_W, _LEGEND_H, _MAP_H_LEAST, _STRIP_H = 3.35, 5.05, 2.5, 0.56
_FILL_ALPHA, _POINTS_PER_MM = 0.66, 72.0 / 25.4
_DASH = (4, 2)
_HATCHES = {"": "", "/": "////", "\\": "\\\\\\\\", "-": "----", "|": "||||", "x": "xxx", ".": "...", "o": "oo"}
_PIXELS_MOST = 2000
# More heights of drops than this would bury the zones.
_DROPS_NAMED = 12
_WHOLE_W = paper.WIDTH - 2 * paper.EDGE
# The foot goes across the page while the legend keeps its height; else beside the legend, which then reaches further
# down.
_LAYOUTS = [(size, _WHOLE_W, _LEGEND_H) for size in (8.0, 7.5, 7.0, 6.5)] + [
    (size, _WHOLE_W - _LEGEND_W - paper.GAP, _MAP_H_LEAST) for size in (7.0, 6.5, 6.0, 5.5, 5.0, 4.5, 4.0)
]


def draw_map(
    path: str | Path, *, z: np.ndarray, grid: Grid, tables: Mapping[str, Any], title: str, cautions: Sequence[str],
    units: Units = UNITS["metric"],
) -> None:  # fmt: skip
    """Draw an A4 page (PNG, 150 dots per inch) of the tables' parcels.

    `z` is the ground in metres on `grid`, NaN where missing; `tables` hold geometries in the grid's CRS. Under the map
    stand the cautions, then what a permit means. units: in which figures are shown. Raises OutputError when the place
    cannot take the file.
    """
    with paper.page(path) as (figure, canvas):
        foot = paper.write_foot(figure, canvas, [*map(units.sentence, cautions), symbology.PERMIT_MEANING], _LAYOUTS)
        top = paper.write_title(figure, canvas, title)
        ax = paper.axes(figure, paper.EDGE, foot, _WHOLE_W - _LEGEND_W - paper.GAP, top - foot)
        frame = _frame(tables, grid, ax)
        ax.set(xlim=(frame[0], frame[2]), ylim=(frame[1], frame[3]), xticks=[], yticks=[])
        _ground(ax, z, grid, frame)
        _features(ax, tables)
        taken = _scale_and_north(ax, frame, grid, canvas, units)
        _names(ax, tables, canvas, taken, units)
        beside = paper.WIDTH - paper.EDGE - _LEGEND_W
        _legend(paper.axes(figure, beside, top - _LEGEND_H, _LEGEND_W, _LEGEND_H), tables, units)


def _frame(tables: Mapping[str, Any], grid: Grid, ax: Axes) -> Bounds:
    """The part of the country to show: the parcels and a little around them, in the shape of the axes."""
    parcels = tables["parcels"]
    west, south, east, north = parcels.total_bounds if len(parcels) else grid.bounds
    # The strip at the foot belongs to the scale bar and the north arrow.
    box, strip = ax.get_window_extent(), _STRIP_H * paper.DPI
    x, y = (west + east) / 2, (south + north) / 2
    step = 1.08 * max((east - west) / box.width, (north - south) / (box.height - strip), 10 * grid.step_x / box.width)
    bottom = y - (box.height + strip) / 2 * step
    return x - box.width / 2 * step, bottom, x + box.width / 2 * step, bottom + box.height * step


def _ground(ax: Axes, z: np.ndarray, grid: Grid, frame: Bounds) -> None:
    ax.set_facecolor("#f4f4f2")
    window = grid.covering(frame)
    rows = slice(max(window.row, 0), max(window.row + window.height, 0))
    cols = slice(max(window.col, 0), max(window.col + window.width, 0))
    part = z[rows, cols]
    if min(part.shape) < 2:
        return
    west, north = grid.west + cols.start * grid.step_x, grid.north - rows.start * grid.step_y
    extent = (west, west + part.shape[1] * grid.step_x, north - part.shape[0] * grid.step_y, north)
    skip = math.ceil(max(part.shape) / _PIXELS_MOST)
    shade = hillshade(part, grid)[::skip, ::skip]
    # Light greys only: the zones must read over the darkest slope.
    ax.imshow(shade, cmap="gray", vmin=-0.4, vmax=1.0, extent=extent, interpolation="bilinear", aspect="auto")


def _outline(geometries: Iterable[Any]) -> Outline | None:
    """One path of many polygons, with their holes."""
    polygons = [p for p in shapely.get_parts(shapely.orient_polygons(list(geometries))) if not p.is_empty]
    rings = [ring for p in polygons for ring in (p.exterior, *p.interiors)]
    if not rings:
        return None
    return Outline.make_compound_path(*(Outline(shapely.get_coordinates(r), closed=True) for r in rings))


def _polygons(ax: Axes, geometries: Iterable[Any], mark: symbology.Mark, order: float) -> None:
    shape = _outline(geometries)
    if shape is None:
        return
    for patch in _patches(mark, lambda **style: PathPatch(shape, **style)):
        patch.set_zorder(order)
        ax.add_patch(patch)


def _patches(mark: symbology.Mark, make: Any) -> list[Any]:
    """Fill, hatch and outline apart, since the hatch has an ink of its own."""
    out = [make(facecolor=to_rgba(mark.fill, _FILL_ALPHA), edgecolor="none")] if mark.fill else []
    if mark.hatch:
        out.append(make(facecolor="none", edgecolor=mark.ink, hatch=_HATCHES[mark.hatch], linewidth=0.0))
    if mark.line:
        width = mark.width * _POINTS_PER_MM
        out.append(make(facecolor="none", edgecolor=mark.line, linewidth=width, linestyle=_style(mark)))
    return out


def _style(mark: symbology.Mark) -> Any:
    return (0, _DASH) if mark.dash else "solid"


def _features(ax: Axes, tables: Mapping[str, Any]) -> None:
    zones, water = tables["zones"], tables["water"]
    for code, mark in symbology.CLASS_MARKS.items():
        _polygons(ax, zones.geometry[zones["machine_class"] == code], mark, 2.0)
    _polygons(ax, zones.geometry[spots_of(zones)], symbology.SPOT, 2.5)
    _polygons(ax, zones.geometry[zones["marginal_share"] > symbology.MARGINAL_FROM], symbology.MEASURE, 3.0)
    for mark in reversed(symbology.WATER_MARKS):
        _polygons(ax, water.geometry[water["origin"] == origin_of(mark)], mark, 4.0)
    _polygons(ax, tables["corrections"].geometry, symbology.SAID, 4.5)
    _polygons(ax, tables["parcels"].geometry, symbology.OUTLINE, 5.0)
    _lines(ax, tables["drops"].geometry, symbology.DROP, 6.0)
    _lines(ax, tables["paths"].geometry, symbology.EVIDENCE, 7.0)


def _lines(ax: Axes, geometries: Iterable[Any], mark: symbology.Mark, order: float) -> None:
    parts = [shapely.get_coordinates(line) for line in shapely.get_parts(list(geometries)) if not line.is_empty]
    width = mark.width * _POINTS_PER_MM
    halo = [patheffects.withStroke(linewidth=width + 1.6, foreground="white")]
    lines = LineCollection(parts, colors=mark.line, linewidths=width, linestyles=_style(mark), zorder=order)
    lines.set(path_effects=halo, capstyle="butt" if mark.dash else "round")
    ax.add_collection(lines, autolim=False)
    if mark.arrow:
        for line in parts:
            ax.add_patch(
                FancyArrowPatch(
                    line[-2], line[-1], arrowstyle="-|>", mutation_scale=9, color=mark.line, linewidth=width,
                    shrinkA=0, shrinkB=0, zorder=order,
                )
            )  # fmt: skip


def _scale_and_north(ax: Axes, frame: Bounds, grid: Grid, canvas: FigureCanvasAgg, units: Units) -> list[Bbox]:
    """Draw the scale bar and the north arrow; gives the boxes of the page that they take, in pixels."""
    metres, sign = units.bar
    across = (frame[2] - frame[0]) * grid.metres_per_unit / metres
    length = round_length(across / 4.0)
    box = ax.get_window_extent()
    inch = paper.DPI / box.width, paper.DPI / box.height
    long, x, y = length / across, 0.18 * inch[0], 0.16 * inch[1]
    on_page: dict[str, Any] = {"transform": ax.transAxes, "zorder": 20, "linewidth": 0.5}
    white = on_page | {"facecolor": "white", "edgecolor": "#777777"}
    corner = (x - 0.1 * inch[0], y - 0.1 * inch[1])
    back = ax.add_patch(Rectangle(corner, long + 0.2 * inch[0], 0.42 * inch[1], **white))
    for half, colour in ((0, "black"), (1, "white")):
        corner = (x + half * long / 2, y - 0.03 * inch[1])
        bar = on_page | {"facecolor": colour, "edgecolor": "black"}
        ax.add_patch(Rectangle(corner, long / 2, 0.07 * inch[1], **bar))
    style: dict[str, Any] = {"transform": ax.transAxes, "zorder": 21, "size": 8}
    ax.text(x, y + 0.09 * inch[1], "0", ha="left", **style)
    ax.text(x + long, y + 0.09 * inch[1], f"{length:g} {sign}", ha="right", **style)
    side = ax.add_patch(Rectangle((1 - 0.43 * inch[0], 0.06 * inch[1]), 0.35 * inch[0], 0.5 * inch[1], **white))
    middle = 1 - 0.255 * inch[0]
    ax.annotate(
        "N", (middle, 0.54 * inch[1]), (middle, 0.14 * inch[1]), xycoords="axes fraction", ha="center",
        va="center", size=8, weight="bold", zorder=21, arrowprops={"arrowstyle": "-|>", "color": "black"},
    )  # fmt: skip
    return [patch.get_window_extent(canvas.get_renderer()) for patch in (back, side)]


def _names(ax: Axes, tables: Mapping[str, Any], canvas: FigureCanvasAgg, taken: list[Bbox], units: Units) -> None:
    """Write parcel ids, then zone ids, then heights of the highest drops, each only where no other text stands."""
    parcels, drops, zones = tables["parcels"], tables["drops"], tables["zones"]
    for name, shape in zip(parcels["parcel_id"], parcels.geometry, strict=True):
        style: dict[str, Any] = {"weight": "bold", "color": "black"}
        # A name that no size brings inside its parcel still stands by it: no parcel may go without one.
        if not any(_name(ax, canvas, taken, name, shape, top=True, size=size, **style) for size in (10, 8.5, 7, 5.5)):
            _name(ax, canvas, taken, name, shape, inside=False, top=True, size=5.5, **style)
    whole = zones[~spots_of(zones)]
    for zone, parcel, shape in zip(whole["zone_id"], whole["parcel_id"], whole.geometry, strict=True):
        _name(ax, canvas, taken, short_id(zone, parcel), shape, size=7, weight="normal", color="#222222")
    named = 0
    known = drops[drops["height_m"].notna()]
    highest = known.sort_values(["height_m", "length_m"], ascending=False, kind="stable")
    # A wall that goes on in several rows is named once.
    highest = highest.drop_duplicates(["parcel_id", "height_m", "length_m"])
    for height, line in zip(highest["height_m"], highest.geometry, strict=True):
        if named == _DROPS_NAMED:
            break
        style = {"size": 8, "weight": "bold", "color": symbology.CREST}
        named += _name(ax, canvas, taken, units.length(height), line, inside=False, **style)


def _name(
    ax: Axes, canvas: FigureCanvasAgg, taken: list[Bbox], words: str, shape: Any, *, inside: bool = True,
    top: bool = False, **style: Any,
) -> bool:  # fmt: skip
    """Write a name at the first of its places that is free; without one write nothing and say so."""
    halo = [patheffects.withStroke(linewidth=2.4, foreground="white")]
    text = ax.text(
        0, 0, words, ha="center", va="center", zorder=15, path_effects=halo, parse_math=False, clip_on=True, **style
    )
    frame = ax.get_window_extent()
    size = text.get_window_extent(canvas.get_renderer())
    for x, y, right, up in label_places(shape, top):
        # Steps are in halves of the text's own size, so that it clears what it stands beside.
        step = np.array([right * (size.width + 10.0) / 2.0, up * (size.height + 6.0) / 2.0])
        text.set_position(tuple(ax.transData.inverted().transform(ax.transData.transform((x, y)) + step)))
        box = text.get_window_extent(canvas.get_renderer()).padded(2.0)
        free = frame.contains(*box.min) and frame.contains(*box.max) and not any(box.overlaps(t) for t in taken)
        ground = shapely.box(*ax.transData.inverted().transform(box.get_points()).ravel())
        if free and (not inside or shape.contains(ground)):
            taken.append(box)
            return True
    text.remove()
    return False


def _legend(ax: Axes, tables: Mapping[str, Any], units: Units) -> None:
    """Swatches and words, classes from the least to the most restricted with their areas."""
    ax.set(xlim=(0, _LEGEND_W), xticks=[], yticks=[])
    for side in ax.spines.values():
        side.set_visible(False)
    areas = tables["zones"].groupby("machine_class")["plan_m2"].sum()
    y = _head(ax, 0.0, "Class that no rule refuses", "area on the map")
    for c in CLASSES:
        area = float(areas.get(c.code, 0.0))
        y = _row(ax, y, symbology.CLASS_MARKS[c.code], units.area(area) if area else "none")
    ax.add_line(Line2D([0, _LEGEND_W], [y, y], color="#777777", linewidth=0.6))
    y = _row(ax, y + 0.03, None, units.area(float(areas.sum())), "All ground")
    y = _head(ax, y + 0.12, "Marks on zones", "")
    for mark in (symbology.SPOT, symbology.MEASURE):
        y = _row(ax, y, mark)
    y = _head(ax, y + 0.12, "Around it", "")
    # What is rare stands in the legend only where it is on the map.
    rare = {symbology.POINT_WATER, symbology.CONFIRMED_WATER, symbology.POSSIBLE_WATER}
    met = set(tables["water"]["origin"])
    water = [m for m in symbology.WATER_MARKS if m not in rare or origin_of(m) in met]
    said = [symbology.SAID] if len(tables["corrections"]) else []
    for mark in (symbology.OUTLINE, *water, *said, symbology.DROP, symbology.EVIDENCE):
        y = _row(ax, y, mark)
    # Rows that would not fit stand closer together, so that none leaves the legend.
    ax.set_ylim(max(_LEGEND_H, y), 0)


def origin_of(mark: symbology.Mark) -> str:
    """The origin of the water that a mark is for."""
    assert mark.where is not None
    return str(mark.where[2])


def _head(ax: Axes, y: float, left: str, right: str) -> float:
    ax.text(0, y, left, size=9.5, weight="bold", va="top")
    ax.text(_LEGEND_W, y + 0.02, right, size=7.5, va="top", ha="right", color="#444444")
    return y + 0.24


def _row(ax: Axes, y: float, mark: symbology.Mark | None, right: str = "", words: str = "") -> float:
    high, wide = 0.2, 0.42
    if mark and (mark.fill or mark.hatch or mark in (symbology.OUTLINE, symbology.SPOT, symbology.SAID)):
        for patch in _patches(mark, lambda **style: Rectangle((0, y), wide, high, **style)):
            ax.add_patch(patch)
    elif mark:
        middle = y + high / 2
        end, width = wide - 0.06 * mark.arrow, mark.width * _POINTS_PER_MM
        ax.add_line(Line2D([0, end], [middle, middle], color=mark.line, linewidth=width, linestyle=_style(mark)))
        if mark.arrow:
            ax.plot([wide - 0.05], [middle], marker=">", color=mark.line, markersize=6)
    ax.text(wide + 0.1, y + high / 2, words or (mark.label if mark else ""), size=8.5, va="center")
    ax.text(_LEGEND_W, y + high / 2, right, size=8.5, va="center", ha="right")
    return y + high + 0.07
