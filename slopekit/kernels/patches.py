"""Small raster passes on patches of cells: labels, stand-off, opening."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _find(parent, c):  # type: ignore[no-untyped-def]
    while parent[c] != c:
        parent[c] = parent[parent[c]]
        c = parent[c]
    return c


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _label(key, parent, out):  # type: ignore[no-untyped-def]
    rows, cols = key.shape
    kf = key.ravel()
    for c in range(rows * cols):
        parent[c] = c
        if kf[c] < 0:
            continue
        if c % cols > 0 and kf[c - 1] == kf[c]:
            parent[c] = _find(parent, c - 1)
        if c >= cols and kf[c - cols] == kf[c]:
            a, b = _find(parent, c - cols), _find(parent, c)
            parent[max(a, b)] = min(a, b)
    count = 0
    for c in range(rows * cols):
        if kf[c] < 0:
            out[c] = 0
        elif parent[c] == c:
            count += 1
            out[c] = count
        else:
            out[c] = out[_find(parent, c)]


def label_equal(key: NDArray[np.int64]) -> NDArray[np.int32]:
    """Number the 4-connected patches of equal `key` from 1 on, in reading order; 0 where the key is negative."""
    out = np.empty(key.size, np.int32)
    _label(key, np.empty(key.size, np.int32), out)
    return out.reshape(key.shape)


def with_neighbours(mask: Bool) -> Bool:
    """The cells of a mask (rows, cols) and their eight neighbours."""
    out = mask.copy()
    out[1:] |= mask[:-1]
    out[:-1] |= mask[1:]
    tall = out.copy()
    out[:, 1:] |= tall[:, :-1]
    out[:, :-1] |= tall[:, 1:]
    return out


@njit(cache=KEPT, nogil=True, error_model="numpy")
def near_edges(z: Array, edge: Bool, middle: Array, dx: float, dy: float, distance: float) -> Bool:
    """Cells any part of which lies within `distance` (m) of any part of an edge cell and not below its `middle`.

    edge: cells at a water's edge or on top of a drop. middle: for each edge cell the elevation half way down the drop;
    lower ground is the foot side and not at risk from it (-inf counts all around).
    """
    rows, cols = z.shape
    out = np.zeros((rows, cols), np.bool_)
    ri, rj = int(distance / dy) + 1, int(distance / dx) + 1
    for i in range(rows):
        for j in range(cols):
            if not edge[i, j]:
                continue
            for ii in range(max(0, i - ri), min(rows, i + ri + 1)):
                gap_y = max(0, abs(ii - i) - 1) * dy
                for jj in range(max(0, j - rj), min(cols, j + rj + 1)):
                    gap_x = max(0, abs(jj - j) - 1) * dx
                    # Not (z < middle), so that a missing elevation counts.
                    if math.hypot(gap_x, gap_y) <= distance and not (z[ii, jj] < middle[i, j]):
                        out[ii, jj] = True
    return out


@njit(cache=KEPT, nogil=True, error_model="numpy")
def opened(bits: NDArray[np.uint64], dx: float, dy: float, diameter: float) -> NDArray[np.uint64]:
    """Morphological opening by a disc, of up to 64 masks at once (one a bit). Beyond the array nothing is set.

    The disc holds the cells whose centre lies within half the diameter (m) of its own.
    """
    rows, cols = bits.shape
    radius = 0.5 * diameter
    ri, rj = int(radius / dy), int(radius / dx)
    di, dj = np.empty((2 * ri + 1) * (2 * rj + 1), np.int64), np.empty((2 * ri + 1) * (2 * rj + 1), np.int64)
    n = 0
    for a in range(-ri, ri + 1):
        for b in range(-rj, rj + 1):
            if math.hypot(a * dy, b * dx) <= radius * (1.0 + 1e-9):
                di[n], dj[n] = a, b
                n += 1
    out = np.zeros((rows, cols), np.uint64)
    for i in range(ri, rows - ri):
        for j in range(rj, cols - rj):
            held = bits[i, j]
            for k in range(n):
                held &= bits[i + di[k], j + dj[k]]
            if held != 0:
                for k in range(n):
                    out[i + di[k], j + dj[k]] |= held
    return out
