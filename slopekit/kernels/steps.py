"""Sharp steps and flat bodies, found on the grid's own cells."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels.order import ascending

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


@njit(cache=True, nogil=True, error_model="numpy")
def _find(parent, c):  # type: ignore[no-untyped-def]
    while parent[c] != c:
        parent[c] = parent[parent[c]]
        c = parent[c]
    return c


@njit(cache=True, nogil=True, error_model="numpy")
def _flat(z, least_cells, parent, count, out, touches):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    for c in range(rows * cols):
        parent[c] = c
    zf = z.ravel()
    for i in range(rows):
        for j in range(cols):
            c = i * cols + j
            if zf[c] != zf[c]:
                continue
            level = round(zf[c] * 1000.0)
            for n, there in ((c - 1, j > 0), (c - cols, i > 0)):
                if there and zf[n] == zf[n] and round(zf[n] * 1000.0) == level:
                    a, b = _find(parent, n), _find(parent, c)
                    if a < b:
                        parent[b] = a
                    else:
                        parent[a] = b
    for c in range(rows * cols):
        count[_find(parent, c)] += 1
    of, tf = out.ravel(), touches.ravel()
    for i in range(rows):
        for j in range(cols):
            c = i * cols + j
            r = _find(parent, c)
            if zf[c] == zf[c] and count[r] > 1:
                of[c] = count[r] > least_cells
                if i == 0 or j == 0 or i == rows - 1 or j == cols - 1:
                    tf[r] = True
    for c in range(rows * cols):
        tf[c] = tf[_find(parent, c)] and not of[c]


def flat_bodies(z: Array, least_cells: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """4-connected cells of equal elevation (to the millimetre), more than `least_cells` of them: likely water.

    Returns two masks (rows, cols): the bodies, and smaller ones that touch the array's border, whose size is open.
    """
    out, touches = np.zeros(z.shape, np.bool_), np.zeros(z.shape, np.bool_)
    _flat(z, least_cells, np.empty(z.size, np.int32), np.zeros(z.size, np.int32), out, touches)
    return out, touches
