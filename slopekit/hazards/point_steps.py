"""Drops as the points show them, in place of what the grid guesses."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.hazards.find import Steps
from slopekit.hazards.settings import HazardSettings
from slopekit.kernels.patches import with_neighbours

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

CLEAR_M = 6.0
"""A drop is cleared only where the points clear all of it within this distance: what stays of it must not become so
short that it no longer counts for the ground above."""
_CLEARED_BELOW = 0.5
"""Part of the least height under which the points' bound must lie."""
_MEAN_M, _NEAR_M = 3.0, 3.0
"""Width of the means in which noise is gone, and how far round a cell they must agree."""
_LEAST_GRADE_DEG = 30.0
"""Points clear ground up to 2:1. A company for which less steep ground is a drop gets none cleared."""


@dataclass(frozen=True, eq=False)
class PointCells:
    """What points tell of drops, on native cells, (rows, cols)."""

    left: Bool
    right: Bool
    """Cells that the line of a wall touches, and those beside them: on its upper side, which is the left, and on the
    other."""
    height: Array
    """Of the nearest of these walls, m; 0 elsewhere."""
    bound: Array
    """No step near a cell is higher (m); NaN where points do not tell."""
    ground: Array
    """Their bare ground, m; NaN where it is not known."""
    seen: Bool
    """Cells of which the points tell. Others are not known, whatever the grid has there: it spans them."""

    def part(self, at: tuple[slice, slice]) -> "PointCells":
        """A window of it."""
        return PointCells(*(getattr(self, name)[at] for name in self.__dataclass_fields__))


def with_point_walls(found: Steps, points: PointCells) -> Steps:
    """The drops with the walls that the points show, whose height and upper side are known.

    The upper cells along a wall's line become the edge and the lower ones the foot; what the grid showed of an edge on
    the upper side gives way.
    """
    if not points.left.any():
        return found
    edge = points.left & with_neighbours(points.right)
    foot = points.right & with_neighbours(points.left)
    fall, above = found.fall.copy(), found.above.copy()
    fall[points.left], above[points.left] = np.nan, np.nan
    fall[edge], above[edge] = points.height[edge], 0.0
    bare = foot & ~(fall > 0.0)
    fall[bare], above[bare] = 0.0, points.height[bare]
    return Steps(fall, above)


def cleared(found: Steps, z: Array, points: PointCells, dx: float, dy: float, settings: HazardSettings) -> Bool:
    """Cells (rows, cols) of drops that the grid shows and the points clear. found: as the grid alone shows them.
    z: the grid's heights, m. dx, dy: of a cell, m.

    A cell is cleared where every cell of a drop within `CLEAR_M` has a bound under half the least height, and the grid
    is the same ground as the points: a wall that one of them has and the other has not was built or taken down between
    two surveys. Cells nearer than that to the border of the window are not: what lies beyond is not seen.
    """
    drop = found.fall > 0.0
    if not drop.any() or settings.drop_grade_deg < _LEAST_GRADE_DEG:
        return np.zeros(drop.shape, bool)
    # A bound that is missing is no bound.
    least = _CLEARED_BELOW * settings.drop_height_m
    kept = drop & ~((points.bound < least) & (_apart(z - points.ground, dx, dy) < least))
    wide = np.pad(~kept, 1, constant_values=False)
    away = ndimage.distance_transform_edt(wide, sampling=(dy, dx))[1:-1, 1:-1]
    return drop & (away > CLEAR_M)


def _apart(difference: Array, dx: float, dy: float) -> Array:
    """By how much (m) two grounds differ otherwise at one place than at another near it; NaN near unknown ground."""
    across = tuple(2 * math.ceil(0.5 * (_MEAN_M / cell - 1.0)) + 1 for cell in (dy, dx))
    near = tuple(2 * math.ceil(_NEAR_M / cell) + 1 for cell in (dy, dx))
    unknown = np.isnan(difference)
    mean = ndimage.uniform_filter(np.where(unknown, 0.0, difference), across, mode="nearest")
    out = ndimage.maximum_filter(mean, near, mode="nearest") - ndimage.minimum_filter(mean, near, mode="nearest")
    unknown = ndimage.maximum_filter(unknown, tuple(a + b - 1 for a, b in zip(across, near, strict=True)))
    return np.where(unknown, np.nan, out)


def without(found: Steps, cells: Bool) -> Steps:
    """The drops without some cells."""
    return Steps(np.where(cells, np.nan, found.fall), np.where(cells, np.nan, found.above))
