"""What the user adds to the ground, as `slopekit.schema.inputs` lists it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from slopekit.errors import InputError
from slopekit.grid import Bounds, is_prescreen
from slopekit.schema.corrections import Correction
from slopekit.schema.inputs import CELL, HEIGHT, INPUTS, WIDTH, ForEachLayer, Geometry
from slopekit.sources.files import short_name
from slopekit.sources.vectors import LINES, POINTS, POLYGONS, Features, Source, as_text, read_features, to_working_crs

DEFAULT_KIND = "hazard"


@dataclass(frozen=True, eq=False)
class Layer:
    """Geometries in the working CRS, found by place."""

    name: str
    geometries: npt.NDArray[np.object_]
    kinds: tuple[str, ...] | None
    tree: shapely.STRtree
    heights: npt.NDArray[np.float64] | None = None
    """Heights in metres that the user gave, NaN where none; None where no feature has one."""
    widths: npt.NDArray[np.float64] | None = None
    """Clear widths of gates in metres, NaN where none; None where the layer is not one of entrances."""

    @classmethod
    def of(
        cls,
        name: str,
        geometries: Sequence[shapely.Geometry],
        kinds: Sequence[str] | None = None,
        heights: Sequence[float] | npt.NDArray[np.float64] | None = None,
        widths: Sequence[float] | None = None,
    ) -> "Layer":
        """A layer of geometries that are already in the working CRS. Lengths in metres, NaN where not given."""
        held = np.array(list(geometries), dtype=object)
        given = None if heights is None else np.asarray(heights, dtype=np.float64)
        if given is not None and np.isnan(given).all():
            given = None
        clear = None if widths is None else np.asarray(widths, dtype=np.float64)
        return cls(name, held, None if kinds is None else tuple(kinds), shapely.STRtree(held), given, clear)

    def at(self, bounds: Bounds) -> npt.NDArray[np.intp]:
        """Numbers, from 0 and in file order, of the geometries that meet `bounds` (CRS units)."""
        return np.sort(self.tree.query(shapely.box(*bounds), predicate="intersects"))

    def within(self, bounds: Bounds) -> list[tuple[shapely.Geometry, str | None]]:
        """Geometries that meet `bounds` (CRS units), whole and in file order, each with its kind."""
        return [(self.geometries[n], None if self.kinds is None else self.kinds[n]) for n in self.at(bounds)]


@dataclass(frozen=True, eq=False)
class PointEvidence:
    """What points tell of drops and of water, in the working CRS of a survey."""

    walls: Layer
    """Lines with the higher ground on their left, and their heights."""
    errors: npt.NDArray[np.float64]
    """Of the heights (99 %), m."""
    possible: Layer
    """Possible water."""
    unseen: Layer
    """Canopy that no pulse got under."""
    folder: Path
    """Of the rasters."""
    clears: bool
    """Whether they are on the survey's CRS; else nothing is cleared."""
    notes: tuple[dict[str, str], ...]
    """Rows for the notes of a result."""
    content: str
    """Fingerprint of the folder."""


@dataclass(frozen=True)
class Layers(ForEachLayer[Layer]):
    """Every layer of the user's, or None where none was given."""

    no_go: Layer | None = None
    """Ground where nobody may work, as a person on site said."""
    corrections: tuple[Correction, ...] = ()
    """Everything that a person on site drew; what it adds stands in the layers too."""
    points: PointEvidence | None = None
    """What classified points show; the water, trees and buildings that they tell by class stand in the layers too."""

    @property
    def given(self) -> tuple[str, ...]:
        """Names of the inputs that were given."""
        return tuple(name for name in INPUTS if getattr(self, name))


def read_layer(
    source: Source,
    crs_wkt: str,
    *,
    metres_per_unit: float,
    geometry: Geometry = "polygon",
    column: str | None = None,
    coarse: bool = False,
) -> Layer:
    """Read a layer from any vector format or a table and reproject it to `crs_wkt`.

    A line with a value in the column 'width' (metres) becomes a polygon that wide, with round ends. Where `geometry`
    is "polygon" every line needs one; where it is "any" a line without one stays a line. `column` names the text that
    becomes `kinds`: a missing column or empty value reads 'hazard'. Where `geometry` is "line" the column 'height'
    (metres) becomes `heights`; where it is "entrance" the column 'width' (metres) becomes `widths`. Where only `coarse`
    ground is asked for, features whose column 'cell' (metres) tells of cells that a survey may have are left out.
    Raises InputError for every fault that `to_working_crs` names and for a width or a height that is not a length.
    """
    features, crs = read_features(source)
    labels = [f"feature {n}" for n in range(1, len(features.geometries) + 1)]
    allowed: dict[Geometry, tuple[frozenset[str], str]] = {
        "polygon": (POLYGONS | LINES, "polygons, or lines with a 'width' in metres"),
        "line": (LINES, "lines (in QGIS: Polygons to lines)"),
        "any": (POLYGONS | LINES, "polygons or lines"),
        "entrance": (POINTS | LINES, "points, or lines along a frontage"),
    }
    kinds_allowed, wanted = allowed[geometry]
    shapes = to_working_crs(features, crs, crs_wkt, kinds_allowed, wanted, labels)
    if geometry in ("polygon", "any"):
        shapes = _widened(features, shapes, metres_per_unit, required=geometry == "polygon")
    kinds = None
    if column is not None:
        values = features.columns.get(column)
        texts = [""] * len(shapes) if values is None else [as_text(v) for v in values.tolist()]
        kinds = tuple(text or DEFAULT_KIND for text in texts)
    heights = _lengths(features, HEIGHT.name) if geometry == "line" else None
    widths = None
    if geometry == "entrance":
        widths = _lengths(features, WIDTH.name) or [math.nan] * len(shapes)
    if coarse and (cells := _lengths(features, CELL.name)) is not None:
        # What tells no cell counts as too coarse.
        shapes = shapes[[not cell <= cell or is_prescreen(cell) for cell in cells]]
    return Layer.of(short_name(str(source)), shapes.tolist(), kinds, heights, widths)


def _lengths(features: Features, column: str) -> list[float] | None:
    """Lengths in metres of a column, NaN where none is given, or None without the column."""
    values = features.columns.get(column)
    if values is None:
        return None
    out = []
    for n, text in enumerate(map(as_text, values.tolist())):
        length = length_m(text)
        if text and not length > 0.0:
            raise InputError(
                f"{features.name}: feature {n + 1} says '{text}' in the column '{column}', so give a {column} in "
                f"metres, more than 0, or leave it empty."
            )
        out.append(length)
    return out


def _widened(
    features: Features, shapes: npt.NDArray[np.object_], metres_per_unit: float, *, required: bool
) -> npt.NDArray[np.object_]:
    """Lines with a width as polygons; polygons as they are."""
    widths = features.columns.get(WIDTH.name)
    out = shapes.copy()
    for n, shape in enumerate(shapes):
        if shape.geom_type.endswith("Polygon"):
            continue
        text = "" if widths is None else as_text(widths[n])
        if not text and not required:
            continue
        width = length_m(text)
        if not width > 0.0:
            raise InputError(
                f"{features.name}: feature {n + 1} is a line whose column 'width' says '{text}', so give its width in "
                f"metres or draw a polygon."
            )
        out[n] = shape.buffer(width / 2.0 / metres_per_unit)
    return out


def length_m(text: str) -> float:
    """The finite number that a column's text says, in metres as it stands; NaN where it says none."""
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan
