"""Sharp steps and flat bodies, found on the grid's own cells."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels.order import ascending
from slopekit.kernels.patches import label_equal

Array = NDArray[np.float64]


@njit(cache=True, nogil=True, error_model="numpy")
def _steep_cells(z, dx, dy, grade, top):  # type: ignore[no-untyped-def]
    """Write z into `top` where some neighbour lies lower or higher by `grade` or more, NaN elsewhere."""
    rows, cols = z.shape
    diagonal = math.hypot(dx, dy)
    for i in range(rows):
        for j in range(cols):
            top[i, j] = np.nan
    for i in range(rows):
        for j in range(cols):
            here = z[i, j]
            for k in range(4):  # each pair once: E, SW, S, SE
                ii, jj = i + (k > 0), j + (1, -1, 0, 1)[k]
                if ii >= rows or jj < 0 or jj >= cols:
                    continue
                length = dx if k == 0 else (dy if k == 2 else diagonal)
                if abs(here - z[ii, jj]) >= grade * length:
                    top[i, j] = here
                    top[ii, jj] = z[ii, jj]


@njit(cache=True, nogil=True, error_model="numpy")
def _chains(z, order, dx, dy, grade, high, low):  # type: ignore[no-untyped-def]
    """Highest and lowest elevation that a chain of steep steps through each cell of `order` (ascending) joins."""
    rows, cols = z.shape
    diagonal = math.hypot(dx, dy)
    for up in range(2):
        n = order.size
        for at in range(n):
            c = order[at] if up == 0 else order[n - 1 - at]
            i, j = c // cols, c % cols
            for di in range(-1, 2):
                for dj in range(-1, 2):
                    ii, jj = i + di, j + dj
                    if (di == 0 and dj == 0) or ii < 0 or ii >= rows or jj < 0 or jj >= cols:
                        continue
                    length = dx if di == 0 else (dy if dj == 0 else diagonal)
                    if up == 0 and z[i, j] - z[ii, jj] >= grade * length:
                        low[i, j] = min(low[i, j], low[ii, jj])
                    if up == 1 and z[ii, jj] - z[i, j] >= grade * length:
                        high[i, j] = max(high[i, j], high[ii, jj])


def drop_runs(z: Array, dx: float, dy: float, grade: float, least_fall: float) -> tuple[Array, Array]:
    """Runs of steep steps down the fall line. z: (rows, cols), m, NaN where missing; grade: fall per metre.

    A step from a cell to any of its eight neighbours is steep at `grade` or more. Steps chain only downward, so cells
    side by side along a contour never add up. Returns (fall, above), both (rows, cols): for cells of a run of at least
    `least_fall` (m) in all, the fall below the cell and the rise above it within the run; NaN elsewhere. A cell with
    fall > 0 is on the edge or face of the drop, one with fall = 0 is its foot.
    """
    top = np.empty(z.shape)
    _steep_cells(z, dx, dy, grade, top)
    order = ascending(top)
    if order.size == 0:
        return top, top
    high, low = top.copy(), top.copy()
    _chains(z, order, dx, dy, grade, high, low)
    short = ~(high - low >= least_fall)
    high -= top
    low = top - low
    high[short] = np.nan
    low[short] = np.nan
    return low, high


def flat_bodies(z: Array, least_cells: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """4-connected cells of equal elevation (to the millimetre), more than `least_cells` of them: likely water.

    Returns two masks (rows, cols): the bodies, and smaller ones that touch the array's border, whose size is open.
    """
    millimetres = np.rint(z * 1000.0)
    # Offset, since labelling leaves out negative keys.
    base = np.nanmin(millimetres, initial=0.0)
    label = label_equal(np.where(np.isnan(z), -1.0, millimetres - base).astype(np.int64))
    count = np.bincount(label.ravel())
    count[0] = 0
    body = count > least_cells
    unsure = np.zeros(count.size, bool)
    for side in (label[0], label[-1], label[:, 0], label[:, -1]):
        unsure[side] = True
    unsure &= ~body & (count > 1)
    return body[label], unsure[label]
