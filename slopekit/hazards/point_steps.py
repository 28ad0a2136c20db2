"""Drops as the points show them, in place of what the grid guesses."""

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

    def part(self, at: tuple[slice, slice]) -> "PointCells":
        """A window of it."""
        return PointCells(self.left[at], self.right[at], self.height[at], self.bound[at])


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


def cleared(found: Steps, bound: Array, dx: float, dy: float, settings: HazardSettings) -> Bool:
    """Cells (rows, cols) of drops that the grid shows and the points clear. found: as the grid alone shows them.
    bound: see `PointCells`. dx, dy: of a cell, m.

    A cell is cleared where every cell of a drop within `CLEAR_M` has a bound under half the least height. Cells nearer
    than that to the border of the window are not: what lies beyond is not seen.
    """
    drop = found.fall > 0.0
    if not drop.any() or settings.drop_grade_deg < _LEAST_GRADE_DEG:
        return np.zeros(drop.shape, bool)
    # A bound that is missing is no bound.
    kept = drop & ~(bound < _CLEARED_BELOW * settings.drop_height_m)
    wide = np.pad(~kept, 1, constant_values=False)
    away = ndimage.distance_transform_edt(wide, sampling=(dy, dx))[1:-1, 1:-1]
    return drop & (away > CLEAR_M)


def without(found: Steps, cells: Bool) -> Steps:
    """The drops without some cells."""
    return Steps(np.where(cells, np.nan, found.fall), np.where(cells, np.nan, found.above))
