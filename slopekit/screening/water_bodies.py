"""Every body of water of a window by name, with the figures that an inventory shows."""

import hashlib
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.grid import Grid
from slopekit.hazards.find import Hazards
from slopekit.hazards.shapes import CONFIRMED, FLAT, FROM_POINTS, GIVEN, POSSIBLE
from slopekit.sources.layers import Layers
from slopekit.sources.raster import outlines, rasterize

Array = NDArray[np.float64]
Ints = NDArray[np.int32]


@dataclass(frozen=True)
class WaterBody:
    name: str
    """That corrections use; of given water a name of its own."""
    origin: str
    """GIVEN, FROM_POINTS, FLAT, POSSIBLE or CONFIRMED."""
    geometry: shapely.Geometry
    area_m2: float
    level_m: float
    """Median height of its surface as surveyed; NaN where not known, and of given water, which may reach farther."""
    open: bool
    """The window may cut it."""
    at: tuple[slice, slice]
    """Rows and columns that hold it."""


def named_water(hazards: Hazards, z: Array, grid: Grid, layers: Layers) -> tuple[Ints, dict[int, WaterBody]]:
    """The bodies of water of a window: those given, and those that the survey shows and nobody rejected.

    z: (rows, cols) on `grid`. Returns the number of the body on each cell, 0 for none, and the bodies by number.
    """
    label = np.zeros(grid.shape, np.int32)
    bodies: dict[int, WaterBody] = {}
    confirmed = {one.body for one in layers.corrections if one.what == "confirm"}
    square_metres = grid.metres_per_unit**2
    for mask, found, origin in (
        (hazards.flat, hazards.flat_bodies, FLAT),
        (hazards.possible, hazards.possible_bodies, POSSIBLE),
    ):
        shown = np.where(mask, found.label, np.int32(0))
        if not shown.any():
            continue
        # What was given may lie across a body and part it.
        parts: dict[int, list[shapely.Polygon]] = {}
        for polygon, number in zip(*outlines(shown, grid), strict=True):
            parts.setdefault(int(number), []).append(polygon)
        for number, polygons in parts.items():
            geometry, at = shapely.multipolygons(polygons), found.box(number)
            cells = shown[at] == number
            open_ = found.cut(number) or bool(hazards.open_bodies[at][cells].any())
            name = found.id_of(number) or _name(found.prefix, f"{found.place.survey} {geometry.wkt}")
            known = z[at][cells & ~np.isnan(z[at])]
            level = float(np.median(known)) if known.size else np.nan
            area = float(cells.sum()) * grid.cell_m2
            label[at][cells] = len(bodies) + 1
            bodies[len(bodies) + 1] = WaterBody(
                name, CONFIRMED if name in confirmed else origin, geometry, area, level, open_, at
            )
    for geometry, kind in [] if layers.water is None else layers.water.within(grid.bounds):
        if geometry.area > 0.0:
            label[rasterize([geometry], grid, all_touched=True)] = len(bodies) + 1
            name, area = _name("w", shapely.normalize(geometry).wkt), geometry.area * square_metres
            origin = FROM_POINTS if kind == FROM_POINTS else GIVEN
            bodies[len(bodies) + 1] = WaterBody(name, origin, geometry, area, np.nan, False, np.s_[:, :])
    return label, bodies


def _name(prefix: str, where: str) -> str:
    return f"{prefix}-{hashlib.sha256(where.encode()).hexdigest()[:8]}"
