"""The middle lines of strips of raised ground."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from slopekit.kernels.ridges import depth_inside
from slopekit.kernels.skeleton import chains, thinned, without_holes
from slopekit.kernels.strokes import joined_lines

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Ints = NDArray[np.int64]

_ROUND = np.ones((3, 3), bool)
_HOLE_CELLS = 8


@dataclass(frozen=True)
class Lines:
    """Many lines, one after the other."""

    points: Array
    """(n, 2) row and column."""
    half: Array
    """(n,) half-width of the strip, m."""
    starts: Ints
    """(lines + 1,) first point of each line, and n."""
    closed: Bool
    """(lines,)"""
    free: Bool
    """(lines, 2) whether nothing meets the line at its first and its last point."""

    def pick(self, keep: Bool) -> "Lines":
        """The lines marked in `keep` (lines,)."""
        sizes = np.diff(self.starts)
        inside = np.repeat(keep, sizes)
        starts = np.concatenate([[0], np.cumsum(sizes[keep])])
        return Lines(self.points[inside], self.half[inside], starts, self.closed[keep], self.free[keep])


def strip_lines(mask: Bool, rise: Array, dx: float, dy: float) -> Lines:
    """Middle lines of the patches of `mask` (rows, cols), followed as straight as they go through junctions.

    rise: (rows, cols), m, decides where two cells lie equally deep inside a strip.
    """
    # Round a hole of a few cells a line would fork.
    mask = without_holes(mask, _HOLE_CELLS)
    depth = depth_inside(mask, dx, dy)
    # A window filled by one patch has no route out.
    depth = np.minimum(depth, max(mask.shape) * max(dx, dy))
    cells, bounds, ends, node = chains(thinned(mask, depth, rise))
    junction, count = ndimage.label(node, _ROUND)
    at = np.where(ends >= 0, junction.ravel()[ends], ends).astype(np.int64)
    i, j = np.nonzero(node)
    number = junction[i, j]
    share = np.maximum(np.bincount(number, minlength=count + 1), 1)
    centres = np.stack([np.bincount(number, weights=v, minlength=count + 1) / share for v in (i, j)], axis=1)
    deep = np.zeros(count + 1)
    np.maximum.at(deep, number, depth[i, j])
    points, starts, closed, free = joined_lines(cells, bounds, at, centres, deep, mask.shape[1], dx, dy)
    # The centre of a junction may lie between cells: the deepest around it, so that no side is preferred.
    low, high = np.floor(points).astype(np.int64).T, np.ceil(points).astype(np.int64).T
    half = np.max([depth[i, j] for i in (low[0], high[0]) for j in (low[1], high[1])], axis=0)
    return Lines(points, half, starts, closed, free)
