"""What each layer looks like: one list of marks a layer, from which the QML, the SLD and the map are drawn."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from slopekit.schema.classes import CLASSES

MARGINAL_FROM = 0.25
"""A zone with a larger share of ground too near a limit to call is drawn as "measure on site"."""
LABEL_SCALE = 2500
"""Zone ids are shown at this scale and larger."""

INK_DARK, INK_LIGHT = "#2e2b28", "#f7f2ea"
WATER_GIVEN, WATER_POINTS, WATER_INFERRED, WATER_EDGE = "#5aa0b8", "#3c7f9b", "#cfe6ea", "#23566b"
CREST = "#3a1d0c"
PATH = "#d01f1f"
SITE = "#7a1f6b"
ROUTE, FIRST = "#4d4d4d", "#1c3f5e"
BASIN_LINE, FLOOR_FILL = "#2f6b4f", "#d6e7d2"
BERM_LINE, SIDE_FILL = "#6b4a1e", "#eadcc4"
PARCEL = "#111111"

PERMIT_MEANING = "Permitted means: not refused by any rule that was evaluated."


@dataclass(frozen=True)
class Mark:
    """How one kind of feature is drawn. Widths, of a point too, in millimetres; an empty colour or hatch means none."""

    label: str
    where: tuple[str, str, str | float] | None = None
    """Column, one of = <> >, value; None for every feature."""
    fill: str = ""
    hatch: str = ""
    """One of '/', '\\', '-', '|', 'x', '.' and 'o' (open rings)."""
    ink: str = INK_DARK
    """Colour of the hatch."""
    line: str = ""
    width: float = 0.26
    dash: bool = False
    core: str = ""
    """Colour of a narrower line on top of a line, which makes two lines of it."""
    halo: bool = False
    """White on both sides of a line, so that it shows on dark ground."""
    arrow: bool = False
    """An arrow head at the end of a line."""
    shape: str = "circle"
    """Of a point: circle or triangle."""
    turned: int | None = None
    """Two arrow heads in the widest part of a polygon, back to back, in the direction in which it falls, turned by so
    many degrees."""
    overlay: bool = False
    """Drawn over the mark that the feature has anyway."""


@dataclass(frozen=True)
class Label:
    """Text beside a feature: a column, and how it is shown."""

    column: str
    suffix: str = ""
    decimals: int | None = None
    size: float = 8.0
    bold: bool = False
    largest_scale_only: bool = False
    """Only at `LABEL_SCALE` and larger."""
    short: bool = False
    """Without the parcel's id, which stands beside it, and in the widest part of the polygon."""


@dataclass(frozen=True)
class Look:
    layer: str
    geometry: str
    """polygon, line or point"""
    marks: tuple[Mark, ...]
    label: Label | None = None


def ink_on(colour: str) -> str:
    """The hatch colour that shows on a fill, also in grey: dark on light fills, light on dark ones."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    # Luma of ITU-R BT.601: how light a colour prints in grey.
    return INK_DARK if 0.299 * red + 0.587 * green + 0.114 * blue > 90 else INK_LIGHT


def renamed(look: Look, names: Mapping[str, str]) -> Look:
    """The look of a file in which some columns have other names."""
    marks = (
        one if one.where is None else replace(one, where=(names.get(one.where[0], one.where[0]), *one.where[1:]))
        for one in look.marks
    )
    label = look.label and replace(look.label, column=names.get(look.label.column, look.label.column))
    return replace(look, marks=tuple(marks), label=label)


def marks_of(marks: Iterable[Mark], row: Mapping[str, Any]) -> list[Mark]:
    """Those of some marks that a feature has by its columns, in their order."""
    return [mark for mark in marks if mark.where is None or _holds(mark.where, row)]


def _holds(where: tuple[str, str, str | float], row: Mapping[str, Any]) -> bool:
    column, operator, value = where
    found = row[column]
    # What is missing is no text and equals nothing, itself neither.
    if found is None or found != found:
        return False
    return bool(found == value if operator == "=" else found > value if operator == ">" else found < value)


CLASS_MARKS: dict[str, Mark] = {
    c.code: Mark(
        c.label, ("machine_class", "=", c.code), fill=c.colour, hatch=c.hatch, ink=ink_on(c.colour), line=INK_DARK,
        width=0.18,
    )
    for c in CLASSES
}  # fmt: skip
MEASURE = Mark(
    "Measure on site (slope too near a limit to call)", ("marginal_share", ">", MARGINAL_FROM), hatch="o",
    line=INK_DARK, width=0.5, dash=True, overlay=True,
)  # fmt: skip
WAY_MARKS = (
    Mark("Up and down the slope only", ("way", "=", "up-and-down"), ink=INK_DARK, turned=0, overlay=True),
    Mark("Across the slope only", ("way", "=", "across"), ink=INK_DARK, turned=90, overlay=True),
)
SPOT = Mark("Spot: a small patch kept apart", line=INK_DARK, width=0.3, overlay=True)
GIVEN_WATER = Mark("Water, as given", ("origin", "=", "given"), fill=WATER_GIVEN, line=WATER_EDGE, width=0.3)
POINT_WATER = Mark(
    "Water, by class of the survey's points", ("origin", "=", "from points"), fill=WATER_POINTS, hatch="/",
    ink=WATER_EDGE, line=WATER_EDGE, width=0.3,
)  # fmt: skip
INFERRED_WATER = Mark(
    "Water, inferred from flat ground", ("origin", "=", "inferred from flat cells"), fill=WATER_INFERRED, hatch="-",
    ink=WATER_EDGE, line=WATER_EDGE, width=0.3, dash=True,
)  # fmt: skip
POSSIBLE_WATER = Mark(
    "Possible water: level ground with a rim", ("origin", "=", "possible water"), hatch="-", ink=WATER_EDGE,
    line=WATER_EDGE, width=0.5, dash=True,
)  # fmt: skip
CONFIRMED_WATER = Mark(
    "Water, confirmed on site", ("origin", "=", "confirmed on site"), fill=WATER_GIVEN, hatch=".", ink=WATER_EDGE,
    line=WATER_EDGE, width=0.3,
)  # fmt: skip
WATER_MARKS = (GIVEN_WATER, POINT_WATER, CONFIRMED_WATER, INFERRED_WATER, POSSIBLE_WATER)
SAID = Mark("Drawn on site (corrections)", line=SITE, width=0.5, dash=True)
DROP = Mark("Top edge of a drop, with its height", line=CREST, width=0.9)
# Broken and heavy: in grey it must not look like a route or like a first pass.
EVIDENCE = Mark("A machine's path to a hazard", line=PATH, width=0.7, dash=True, halo=True, arrow=True)
# Hollow like a road on a map: a path to a hazard is one heavy line, also in grey.
ROUTE_IN = Mark(
    "Route in for the zone's machine", ("direction", "=", "in"), line=ROUTE, width=0.8, core="#ffffff", arrow=True
)
ROUTE_OUT = Mark(
    "Route out, where it is another", ("direction", "=", "out"), line=ROUTE, width=0.8, core="#ffffff", dash=True,
    arrow=True,
)  # fmt: skip
# A dark triangle, since rings stand for ground to be measured.
START = Mark("Start of the first pass, at the foot", fill=FIRST, line="#ffffff", width=2.8, shape="triangle")
DIRECTION = Mark("First pass", line=FIRST, width=0.3, arrow=True)
PASSES = Mark(
    "Passes from the foot upward, where the operator's manual allows work across", line=FIRST, width=0.2, arrow=True
)
BASIN = Mark("Basin at its spill level", line=BASIN_LINE, width=0.5)
FLOOR = Mark(
    "Basin floor: likely soft where gentle", fill=FLOOR_FILL, hatch=".", ink=BASIN_LINE, line=BASIN_LINE, width=0.2
)
BERM = Mark("Berm: its crest", line=BERM_LINE, width=0.6)
BERM_SIDE = Mark("Side of a berm", fill=SIDE_FILL, hatch="|", ink=BERM_LINE, line=BERM_LINE, width=0.2)
STEP = Mark("Wall or edge that the points show, with its height", line=CREST, width=0.6)
CLASS_WATER = Mark("Water, by class of the points", ("kind", "=", "water by class"), fill=WATER_GIVEN, line=WATER_EDGE)
EMPTY_WATER = Mark(
    "Possible water: no returns, level shores", ("kind", "=", "possible water"), hatch="-", ink=WATER_EDGE,
    line=WATER_EDGE, width=0.5, dash=True,
)  # fmt: skip
LOW_TREE = Mark("Trees that hang low", ("kind", "=", "low trees"), fill=FLOOR_FILL, hatch=".", line=BASIN_LINE)
UNSEEN_TREE = Mark(
    "Under trees, not assessed: no pulse got through", ("kind", "=", "not assessed"), hatch="x", ink=BASIN_LINE,
    line=BASIN_LINE, dash=True,
)  # fmt: skip
BUILT = Mark("Building", ("kind", "=", "building"), fill="#d5d8da", hatch=".", line=INK_DARK)
DECK = Mark("Bridge", ("kind", "=", "bridge"), fill="#d5d8da", hatch="/", line=INK_DARK)
ASKED = Mark("Spot that was asked about", fill="#ffffff", line=INK_DARK, width=3.6)
ON_PATH = Mark("On a path from the spot: ground, energy line and speed", fill=PATH, line="#ffffff", width=1.3)
FROM_SPOT = Mark("A machine's path from the spot", line=PATH, width=0.7, dash=True, halo=True, arrow=True)
OUTLINE = Mark("Parcel", line=PARCEL, width=0.7)

_ZONE_ID = Label("zone_id", size=7, largest_scale_only=True, short=True)

LOOKS: dict[str, Look] = {
    look.layer: look
    for look in (
        Look("zones", "polygon", (*CLASS_MARKS.values(), MEASURE, *WAY_MARKS), _ZONE_ID),
        Look("parcels", "polygon", (OUTLINE,), Label("parcel_id", size=10, bold=True)),
        Look("water", "polygon", WATER_MARKS),
        Look("drops", "line", (DROP,), Label("height_m", suffix=" m", decimals=1)),
        Look("paths", "line", (EVIDENCE,)),
        Look("routes", "line", (ROUTE_IN, ROUTE_OUT)),
        Look("starts", "point", (START,)),
        Look("directions", "line", (DIRECTION,)),
        Look("corrections", "polygon", (SAID,), Label("what", size=8)),
        Look("basins", "polygon", (BASIN,), Label("depth_m", suffix=" m", decimals=1)),
        Look("basin_floors", "polygon", (FLOOR,)),
        Look("berms", "line", (BERM,), Label("height_m", suffix=" m", decimals=1)),
        Look("berm_sides", "polygon", (BERM_SIDE,)),
        Look("water_bodies", "polygon", WATER_MARKS),
        Look("passes", "line", (PASSES,)),
        Look("point_walls", "line", (STEP,), Label("height", suffix=" m", decimals=1)),
        Look("point_water", "polygon", (CLASS_WATER, EMPTY_WATER)),
        Look("point_canopy", "polygon", (LOW_TREE, UNSEEN_TREE)),
        Look("point_exclude", "polygon", (BUILT, DECK)),
        Look("spots", "point", (ASKED,)),
        Look("spot_paths", "line", (FROM_SPOT,)),
        Look("spot_profiles", "point", (ON_PATH,)),
    )
}
