"""What the user gave, on the working cells of one window. Nothing below this room sees a shape of a layer."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.access.entrances import Gate
from slopekit.grid import Grid, grown
from slopekit.hazards.given import GivenHazards, Rejection
from slopekit.kernels.patches import with_neighbours
from slopekit.schema.corrections import Correction, holds_for
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.raster import rasterize, rasterize_layer

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Given:
    """Masks (rows, cols), all False where a layer was not given."""

    hazards: GivenHazards
    dry: Bool
    """Cells whose centre lies in ground that is stated to be dry."""
    soft: Bool
    canopy: Bool
    no_go: Bool
    """All cells that a shape touches."""
    excluded: Bool
    drives: Bool
    """Cells whose centre is covered: excluded ground, and what of it machines may drive over."""


def given_on(layers: Layers, grid: Grid, survey: str, stand_off_m: float) -> Given:
    """What was given, on the cells of a grid. survey: checksum of the survey, whose bodies alone a rejection speaks of.
    What lies beyond the grid is no reason for anything."""

    def touched(layer: Layer | None) -> Bool:
        return rasterize_layer(layer, grid, all_touched=True)

    shore = np.zeros(grid.shape, bool)
    if layers.water is not None:
        near = [g.buffer(stand_off_m / grid.metres_per_unit) for g, _ in layers.water.within(grid.bounds)]
        shore = rasterize(near, grid, all_touched=True)
    return Given(
        GivenHazards(
            water=touched(layers.water),
            shore=shore,
            lines=touched(layers.walls),
            line_height=_line_height(layers.walls, grid),
            other=touched(layers.hazards),
            rejections=_rejections(layers.corrections, grid, survey),
        ),
        dry=rasterize_layer(layers.dry, grid),
        soft=touched(layers.soft),
        canopy=touched(layers.canopy),
        no_go=touched(layers.no_go),
        excluded=rasterize_layer(layers.exclude, grid),
        drives=rasterize_layer(layers.drives, grid),
    )


def without(given: Given, body: str) -> Given:
    """The same without the rejections of one body."""
    left = tuple(one for one in given.hazards.rejections if one.said.body != body)
    return replace(given, hazards=replace(given.hazards, rejections=left))


def gates_of(entrances: Layer, region: shapely.Geometry, grid: Grid, reach_m: float) -> tuple[Gate, ...]:
    """The entrances that may lie within `reach_m` metres of a region (CRS units)."""
    near = entrances.at(grown(region.bounds, reach_m, grid.metres_per_unit)).tolist()
    widths = np.full(len(entrances.geometries), np.nan) if entrances.widths is None else entrances.widths
    return tuple(Gate(entrances.geometries[n], None if np.isnan(widths[n]) else float(widths[n]), n + 1) for n in near)


def _line_height(walls: Layer | None, grid: Grid) -> Array:
    if walls is None or walls.heights is None:
        return np.broadcast_to(np.nan, grid.shape)
    out = np.full(grid.shape, np.nan)
    for n in walls.at(grid.bounds):
        if not np.isnan(walls.heights[n]):
            near = with_neighbours(rasterize([walls.geometries[n]], grid, all_touched=True))
            out[near] = np.fmax(out[near], walls.heights[n])
    return out


def _rejections(said: Sequence[Correction], grid: Grid, survey: str) -> tuple[Rejection, ...]:
    frame = shapely.box(*grid.bounds)
    out = []
    for one in said:
        if one.what == "reject" and holds_for(one, survey) and frame.intersects(one.geometry):
            rows, cols = np.nonzero(rasterize([one.geometry], grid, all_touched=True))
            out.append(Rejection(one, (rows, cols), bool(frame.contains(one.geometry))))
    return tuple(out)
