"""Sharp steps and flat bodies, found on the grid's own cells."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT
from slopekit.kernels.order import ascending
from slopekit.kernels.patches import label_equal

Array = NDArray[np.float64]


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _steep(z, i, j, di, dj, dx, dy, grade):  # type: ignore[no-untyped-def]
    """Whether the step from cell (i, j) to its neighbour falls at `grade` or more.

    A diagonal step is steep too where it crosses an edge at the corner between two cells that fall steeply to its end:
    no path down may slip through between them.
    """
    there = z[i + di, j + dj]
    fall = z[i, j] - there
    if di == 0 or dj == 0:
        return fall >= grade * (dx if di == 0 else dy)
    if fall >= grade * math.hypot(dx, dy):
        return True
    return fall > 0.0 and z[i, j + dj] - there >= grade * dy and z[i + di, j] - there >= grade * dx


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _counts(z, i, j, di, dj, dx, dy, grade):  # type: ignore[no-untyped-def]
    """Whether the step from cell (i, j) to its neighbour counts towards the height of a run: it is steep, alone or on
    average with the step before or behind it."""
    if _steep(z, i, j, di, dj, dx, dy, grade):
        return True
    rows, cols = z.shape
    here, there = z[i, j], z[i + di, j + dj]
    if not here > there:
        return False
    least = 2.0 * grade * math.hypot(di * dy, dj * dx)
    ii, jj = i + 2 * di, j + 2 * dj
    if 0 <= ii < rows and 0 <= jj < cols and z[ii, jj] <= there and here - z[ii, jj] >= least:
        return True
    ii, jj = i - di, j - dj
    return 0 <= ii < rows and 0 <= jj < cols and z[ii, jj] >= here and z[ii, jj] - there >= least


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _steep_steps(z, dx, dy, grade, down, up, near):  # type: ignore[no-untyped-def]
    """Set `down` at the upper and `up` at the lower end of every steep step, and `near` within a cell of either."""
    rows, cols = z.shape
    least = (grade * dx, grade * dy, grade * math.hypot(dx, dy))
    for turn in range(2):  # straight steps first: a diagonal one over a corner needs two of them
        for i in range(rows):
            for j in range(cols):
                for k in range(2):
                    if turn == 0:
                        ii, jj = i + k, j + 1 - k
                    else:
                        ii, jj = i + 1, j - 1 + 2 * k
                    if ii >= rows or jj < 0 or jj >= cols:
                        continue
                    fall = z[i, j] - z[ii, jj]
                    steep = abs(fall) >= least[k if turn == 0 else 2]
                    if turn == 1 and not steep and (up[ii, jj] if fall > 0.0 else up[i, j]):
                        if fall > 0.0:
                            steep = _steep(z, i, j, ii - i, jj - j, dx, dy, grade)
                        elif fall < 0.0:
                            steep = _steep(z, ii, jj, i - ii, j - jj, dx, dy, grade)
                    if not steep:
                        continue
                    if fall > 0.0:
                        down[i, j] = up[ii, jj] = True
                    else:
                        down[ii, jj] = up[i, j] = True
                    near[max(0, i - 1) : i + 2, max(0, j - 1) : j + 2] = True
                    near[max(0, ii - 1) : ii + 2, max(0, jj - 1) : jj + 2] = True


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _chains(z, order, dx, dy, grade, high, low):  # type: ignore[no-untyped-def]
    """Highest and lowest elevation that a chain of counting steps through each cell of `order` (ascending) joins."""
    rows, cols = z.shape
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
                    if up == 0 and low[ii, jj] < low[i, j] and _counts(z, i, j, di, dj, dx, dy, grade):
                        low[i, j] = low[ii, jj]
                    if up == 1 and high[ii, jj] > high[i, j] and _counts(z, ii, jj, -di, -dj, dx, dy, grade):
                        high[i, j] = high[ii, jj]


def drop_runs(z: Array, dx: float, dy: float, grade: float, least_fall: float) -> tuple[Array, Array]:
    """Runs of steep steps down the fall line. z: (rows, cols), m, NaN where missing; grade: fall per metre.

    A step from a cell to any of its eight neighbours is steep at `grade` or more (see `_steep` for corners). Steps
    chain only downward, so cells side by side along a contour never add up. A cell that straddles an edge splits one
    step into two: the lesser one counts towards the height where both together are steep.

    Returns (fall, above), both (rows, cols): for cells at a steep step of a run of at least `least_fall` (m) in all,
    the fall below the cell and the rise above it within the run; NaN elsewhere. A cell with fall > 0 is on the edge or
    face of the drop, with fall = 0 it is the foot; one with fall > 0 and above = 0 is the edge.
    """
    down, up, near = (np.zeros(z.shape, bool) for _ in range(3))
    _steep_steps(z, dx, dy, grade, down, up, near)
    fall, above = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    if not down.any():
        return fall, above
    order = ascending(np.where(near, z, np.nan))
    high, low = z.copy(), z.copy()
    _chains(z, order, dx, dy, grade, high, low)
    run = (down | up) & (high - low >= least_fall)
    fall[run] = np.where(down, z - low, 0.0)[run]
    above[run] = np.where(up, high - z, 0.0)[run]
    return fall, above


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
