"""Topographic wetness: the ground that drains to a cell within so many steps, and the index that it makes with slope.

The index is ln(a / tan b) of Beven and Kirkby (1979): a is the area that drains to a cell, per metre of contour, and b
its slope. Steps are counted, since an area without bound would depend on how far the ground was read.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT
from slopekit.kernels.patches import with_neighbours
from slopekit.kernels.receivers import NEIGHBOURS, receivers

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

LEAST_GRADE = 0.001
"""Flatter ground counts as falling 1 in 1000: the index has no value on level ground, and no survey tells less."""

# A smaller part is rounding: flow along one of the eight directions, which must not bring doubt from beside it.
_ROUNDING = 1e-9


@njit(cache=KEPT, nogil=True)
def _inflow(share, offset, first, source, weight):  # type: ignore[no-untyped-def]
    """Turn shares (cells, 8) into lists of what comes in: cell c receives `weight[e]` of `source[e]` for e from
    `first[c]` to `first[c + 1]`. Border cells get no list."""
    at = 0
    cells = share.shape[0]
    width = offset[6]  # the cell below
    rows = cells // width
    for c in range(cells):
        first[c] = at
        if 0 < c // width < rows - 1 and 0 < c % width < width - 1:
            for k in range(8):
                u = c + offset[k]
                part = share[u, (k + 4) % 8]
                if part > _ROUNDING:
                    source[at] = u
                    weight[at] = part
                    at += 1
    first[cells] = at


@njit(cache=KEPT, nogil=True)
def _gather(own, first, source, weight, area, spare, steps):  # type: ignore[no-untyped-def]
    for _ in range(steps):
        for c in range(own.size):
            total = own[c]
            for e in range(first[c], first[c + 1]):
                total += weight[e] * area[source[e]]
            spare[c] = total
        area, spare = spare, area
    return area


def contributing_area(w: Array, unknown: Bool, dx: float, dy: float, steps: int) -> Array:
    """Area (rows, cols), m2, of the ground that drains to each cell within `steps` steps, the cell itself included.

    w: conditioned surface (rows, cols), m. Flow parts by D-infinity (see `receivers`). unknown: cells whose own
    flow is not known, missing ones among them; the border's flow never is. A cell that such a cell may drain to within
    `steps` steps has no area (NaN), so a known area is the same whatever lies outside the array.

    On any plane the area is steps + 1 cells, whichever way it falls (arithmetic: the parts that come in add up to 1).
    """
    edge = unknown.copy()
    edge[[0, -1]] = True
    edge[:, [0, -1]] = True
    own = np.where(with_neighbours(edge), np.nan, dx * dy).ravel()
    share = receivers(w, dx, dy).reshape(-1, 8)
    count = int(np.count_nonzero(share))
    offset = np.array([di * w.shape[1] + dj for di, dj in NEIGHBOURS])
    first, source, weight = np.empty(own.size + 1, np.int64), np.empty(count, np.int32), np.empty(count)
    _inflow(share, offset, first, source, weight)
    return _gather(own, first, source, weight, own.copy(), np.empty(own.size), steps).reshape(w.shape)


def wetness_index(area: Array, grade: Array, dx: float, dy: float) -> Array:
    """ln(a / tan b) after Beven and Kirkby (1979), (rows, cols): higher where more ground drains to flatter ground.

    area: m2. grade: tangent of the slope, taken as `LEAST_GRADE` where it is less. a is the area over the width of a
    cell, in metres. NaN where either is not known.
    """
    return np.log(area / np.sqrt(dx * dy) / np.maximum(grade, LEAST_GRADE))
