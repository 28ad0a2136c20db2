"""What the user adds to the ground: water, walls, hazards, dry basins, exclusions, soft ground, tree cover."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
import shapely

from slopekit.errors import InputError
from slopekit.grid import Bounds
from slopekit.sources.files import short_name
from slopekit.sources.vectors import LINES, POLYGONS, Features, as_text, read_features, to_working_crs

WIDTH_COLUMN = "width"
DEFAULT_KIND = "hazard"


@dataclass(frozen=True, eq=False)
class Layer:
    """Geometries in the working CRS, found by place."""

    name: str
    geometries: npt.NDArray[np.object_]
    kinds: tuple[str, ...] | None
    tree: shapely.STRtree

    @classmethod
    def of(cls, name: str, geometries: Sequence[shapely.Geometry], kinds: Sequence[str] | None = None) -> "Layer":
        """A layer of geometries that are already in the working CRS."""
        held = np.array(list(geometries), dtype=object)
        return cls(name, held, None if kinds is None else tuple(kinds), shapely.STRtree(held))

    def within(self, bounds: Bounds) -> list[tuple[shapely.Geometry, str | None]]:
        """Geometries that meet `bounds` (CRS units), whole and in file order, each with its kind."""
        found = np.sort(self.tree.query(shapely.box(*bounds), predicate="intersects"))
        return [(self.geometries[n], None if self.kinds is None else self.kinds[n]) for n in found]


@dataclass(frozen=True)
class Layers:
    """Every layer of the user's, or None where none was given."""

    water: Layer | None = None
    walls: Layer | None = None
    hazards: Layer | None = None
    dry: Layer | None = None
    exclude: Layer | None = None
    soft: Layer | None = None
    canopy: Layer | None = None


def read_layer(
    path: str | Path,
    crs_wkt: str,
    *,
    metres_per_unit: float,
    geometry: Literal["polygon", "line", "any"] = "polygon",
    column: str | None = None,
) -> Layer:
    """Read a layer from any vector format and reproject it to `crs_wkt`.

    A line with a value in the column 'width' (metres) becomes a polygon that wide, with round ends. Where `geometry`
    is "polygon" every line needs one; where it is "any" a line without one stays a line. `column` names the text that
    becomes `kinds`: a missing column or empty value reads 'hazard'. Raises InputError for every fault that
    `to_working_crs` names and for a width that is not a length.
    """
    features, crs = read_features(path)
    labels = [f"feature {n}" for n in range(1, len(features.geometries) + 1)]
    allowed = {
        "polygon": (POLYGONS | LINES, "polygons, or lines with a 'width' in metres"),
        "line": (LINES, "lines (in QGIS: Polygons to lines)"),
        "any": (POLYGONS | LINES, "polygons or lines"),
    }
    kinds_allowed, wanted = allowed[geometry]
    shapes = to_working_crs(features, crs, crs_wkt, kinds_allowed, wanted, labels)
    if geometry != "line":
        shapes = _widened(features, shapes, metres_per_unit, required=geometry == "polygon")
    kinds = None
    if column is not None:
        values = features.columns.get(column)
        texts = [""] * len(shapes) if values is None else [as_text(v) for v in values.tolist()]
        kinds = tuple(text or DEFAULT_KIND for text in texts)
    return Layer.of(short_name(str(path)), shapes.tolist(), kinds)


def _widened(
    features: Features, shapes: npt.NDArray[np.object_], metres_per_unit: float, *, required: bool
) -> npt.NDArray[np.object_]:
    """Lines with a width as polygons; polygons as they are."""
    widths = features.columns.get(WIDTH_COLUMN)
    out = shapes.copy()
    for n, shape in enumerate(shapes):
        if shape.geom_type.endswith("Polygon"):
            continue
        text = "" if widths is None else as_text(widths[n])
        if not text and not required:
            continue
        width = _length(text)
        if not width > 0.0:
            raise InputError(
                f"{features.name}: feature {n + 1} is a line whose column 'width' says '{text}', so give its width in "
                f"metres or draw a polygon."
            )
        out[n] = shape.buffer(width / 2.0 / metres_per_unit)
    return out


def _length(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan
