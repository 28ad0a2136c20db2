"""What the user gave, on the working cells of one window. Nothing below this room sees a shape of a layer."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.access.entrances import Gate
from slopekit.grid import Grid, grown
from slopekit.hazards.given import GivenHazards, Rejection
from slopekit.hazards.point_steps import PointCells
from slopekit.kernels.patches import with_neighbours
from slopekit.schema.corrections import Correction, holds_for
from slopekit.sources.layers import Layer, Layers, PointEvidence
from slopekit.sources.point_rasters import bound_on, values_at
from slopekit.sources.point_results import GROUND, SEEN, STEPS
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
    unseen: Bool
    """Where trees may hang low since no pulse got under them; part of `canopy`."""
    coarse: Bool
    """Ground whose heights come from cells too coarse for a survey, and the cells beside it: as a gap in the data."""
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
            possible=touched(None if layers.points is None else layers.points.possible),
            rejections=_rejections(layers.corrections, grid, survey),
        ),
        dry=rasterize_layer(layers.dry, grid),
        soft=touched(layers.soft),
        canopy=touched(layers.canopy),
        unseen=touched(None if layers.points is None else layers.points.unseen),
        coarse=with_neighbours(touched(layers.coarse)),
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


def points_on(points: PointEvidence, grid: Grid, least_m: float) -> PointCells:
    """What points tell of drops, on the native cells of a grid. A wall counts where its height and its error reach
    `least_m`. Raises InputError as `values_at`."""
    left, band, height = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool), np.zeros(grid.shape)
    walls = points.walls
    near = walls.at(grid.bounds)
    if walls.heights is not None:
        near = near[walls.heights[near] + points.errors[near] >= least_m]
        lines, tall = walls.geometries[near], walls.heights[near]
        band = with_neighbours(rasterize(lines, grid, all_touched=True))
    if band.any():
        i, j = np.nonzero(band)
        x, y = grid.west + (j + 0.5) * grid.step_x, grid.north - (i + 0.5) * grid.step_y
        own, is_left = _side_of(lines, np.asarray(shapely.points(x, y)))
        left[i, j], height[i, j] = is_left, tall[own]
    none = np.broadcast_to(np.nan, grid.shape)
    bound, ground = none, none
    if points.clears:
        bound, ground = bound_on(points.folder / STEPS, grid), values_at(points.folder / GROUND, grid)
    seen = ~np.isnan(values_at(points.folder / SEEN, grid))
    return PointCells(left, band & ~left, height, bound, ground, seen)


def _side_of(lines: NDArray[np.object_], places: NDArray[np.object_]) -> tuple[NDArray[np.int64], Bool]:
    """The nearest line of each place, and whether it lies on its left."""
    own = shapely.STRtree(lines).query_nearest(places, all_matches=False)[1]
    line = lines[own]
    at = shapely.line_locate_point(line, places)
    length = shapely.length(line)
    step = 1e-3 * length
    back = shapely.line_interpolate_point(line, np.maximum(at - step, 0.0))
    on = shapely.line_interpolate_point(line, np.minimum(at + step, length))
    ax, ay = shapely.get_x(on) - shapely.get_x(back), shapely.get_y(on) - shapely.get_y(back)
    bx, by = shapely.get_x(places) - shapely.get_x(back), shapely.get_y(places) - shapely.get_y(back)
    return own, ax * by - ay * bx >= 0.0


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
