"""Drops as the points show them, in place of what the grid guesses."""

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.grid import Grid
from slopekit.hazards.find import Steps
from slopekit.hazards.settings import HazardSettings
from slopekit.kernels.patches import with_neighbours
from slopekit.sources.point_results import PointEvidence
from slopekit.sources.raster import rasterize

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

CLEAR_M = 6.0
"""A drop is cleared only where the points clear all of it within this distance: what stays of it must not become so
short that it no longer counts for the ground above."""
_CLEARED_BELOW = 0.5
"""Part of the least height under which the points' bound must lie."""
_LEAST_GRADE_DEG = 30.0
"""Points clear ground up to 2:1. A company for which less steep ground is a drop gets none cleared."""


def with_point_walls(found: Steps, grid: Grid, points: PointEvidence, settings: HazardSettings) -> Steps:
    """The drops with the walls that the points show, whose height and upper side are known.

    found: on `grid`. A wall counts where its height and its error reach the least height. The upper cells along its
    line become the edge and the lower ones the foot; what the grid showed of an edge on the upper side gives way.
    """
    heights = points.walls.heights
    if heights is None:
        return found
    numbers = [n for n in points.walls.at(grid.bounds) if heights[n] + points.errors[n] >= settings.drop_height_m]
    if not numbers:
        return found
    lines, tall = points.walls.geometries[numbers], heights[numbers]
    band = with_neighbours(rasterize(lines, grid, all_touched=True))
    i, j = np.nonzero(band)
    x, y = grid.west + (j + 0.5) * grid.step_x, grid.north - (i + 0.5) * grid.step_y
    own, is_left = _side_of(lines, np.asarray(shapely.points(x, y)))
    left, height = np.zeros(grid.shape, bool), np.zeros(grid.shape)
    left[i, j], height[i, j] = is_left, tall[own]
    right = band & ~left
    edge, foot = left & with_neighbours(right), right & with_neighbours(left)
    fall, above = found.fall.copy(), found.above.copy()
    fall[left], above[left] = np.nan, np.nan
    fall[edge], above[edge] = height[edge], 0.0
    bare = foot & ~(fall > 0.0)
    fall[bare], above[bare] = 0.0, height[bare]
    return Steps(fall, above)


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


def cleared(found: Steps, grid: Grid, points: PointEvidence, settings: HazardSettings) -> Bool:
    """Cells (rows, cols) of drops that the grid shows and the points clear. found: as the grid alone shows them.

    A cell is cleared where every cell of a drop within `CLEAR_M` has a bound under half the least height. Cells nearer
    than that to the border of the window are not: what lies beyond is not seen.
    """
    drop = found.fall > 0.0
    if not drop.any() or settings.drop_grade_deg < _LEAST_GRADE_DEG:
        return np.zeros(drop.shape, bool)
    bound = points.bound(grid)
    # A bound that is missing is no bound.
    kept = drop & ~(bound < _CLEARED_BELOW * settings.drop_height_m)
    wide = np.pad(~kept, 1, constant_values=False)
    away = ndimage.distance_transform_edt(wide, sampling=(grid.dy, grid.dx))[1:-1, 1:-1]
    return drop & (away > CLEAR_M)


def without(found: Steps, cells: Bool) -> Steps:
    """The drops without some cells."""
    return Steps(np.where(cells, np.nan, found.fall), np.where(cells, np.nan, found.above))
