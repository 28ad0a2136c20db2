"""Points to figures of cells, and to stripes of a grid for a second look."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]

GROUND, WATER, BUILDING, BRIDGE, NOISE, UNCLASSIFIED = 1, 2, 3, 4, 5, 6
"""Roles of points, as `points.classes` numbers them."""
LAST = 8
"""Added to the role of the last return of a pulse."""
MM = 1000.0
HIGHEST_M = 100_000.0
"""No ground lies farther from level zero; whole millimetres of what does would not fit into 32 bits."""


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _cell(at, size):  # type: ignore[no-untyped-def]
    """The row or column of a place (m), by its whole millimetres: both passes must put a point into the same cell."""
    return int(math.floor(at * MM) / MM / size)


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _counts(x, y, z, role, used, size):  # type: ignore[no-untyped-def]
    """Whether a point counts (no noise, in a cell asked for, at a height that can be), and its row and column."""
    if role == NOISE or not (x >= 0.0 and y >= 0.0 and abs(z) <= HIGHEST_M):
        return False, 0, 0
    i, j = _cell(y, size), _cell(x, size)
    return i < used.shape[0] and j < used.shape[1] and used[i, j], i, j


@njit(cache=KEPT, nogil=True, error_model="numpy")
def add_points(x, y, z, role, intensity, used, size, counts, strongest, ground_xy, ground_z):  # type: ignore[no-untyped-def]
    """Count points in their cells. x, y: (points,), m, east and south of the grid's north-west corner; z: m.

    role, intensity: of each. used: cells that are asked for. size: cell, m. counts: (5, rows, cols), of returns,
    ground, water, building, bridge. strongest: greatest intensity. ground_xy: (2, rows, cols), sums of the distances
    (m) of ground points from the middle of their cell; ground_z: sums of z. Left out: noise, and beyond `HIGHEST_M`.
    Returns the points used.
    """
    done = 0
    for k in range(x.size):
        within, i, j = _counts(x[k], y[k], z[k], role[k], used, size)
        if not within:
            continue
        done += 1
        counts[0, i, j] += 1
        if intensity[k] > strongest[i, j]:
            strongest[i, j] = intensity[k]
        if role[k] == GROUND:
            counts[1, i, j] += 1
            ground_xy[0, i, j] += x[k] - (j + 0.5) * size
            ground_xy[1, i, j] += y[k] - (i + 0.5) * size
            ground_z[i, j] += z[k]
        elif role[k] == WATER:
            counts[2, i, j] += 1
        elif role[k] == BUILDING:
            counts[3, i, j] += 1
        elif role[k] == BRIDGE:
            counts[4, i, j] += 1
    return done


@njit(cache=KEPT, nogil=True, error_model="numpy")
def stripe_sizes(x, y, z, role, used, size, deep, halo, out):  # type: ignore[no-untyped-def]
    """How many points go to each stripe of `deep` rows, with those of `halo` rows beside it. out: (stripes,)."""
    rows = used.shape[0]
    for k in range(x.size):
        within, i, _ = _counts(x[k], y[k], z[k], role[k], used, size)
        if not within:
            continue
        for stripe in range(max(0, i - halo) // deep, min(rows - 1, i + halo) // deep + 1):
            out[stripe] += 1


@njit(cache=KEPT, nogil=True, error_model="numpy")
def to_stripes(x, y, z, role, used, size, deep, halo, at, out):  # type: ignore[no-untyped-def]
    """Points as whole millimetres, ordered by stripe. at: (stripes,), where each begins in `out` (points, 4): x, y, z
    and the role."""
    rows = used.shape[0]
    for k in range(x.size):
        within, i, _ = _counts(x[k], y[k], z[k], role[k], used, size)
        if not within:
            continue
        for stripe in range(max(0, i - halo) // deep, min(rows - 1, i + halo) // deep + 1):
            n = at[stripe]
            out[n, 0] = np.int32(math.floor(x[k] * MM))
            out[n, 1] = np.int32(math.floor(y[k] * MM))
            out[n, 2] = np.int32(round(z[k] * MM))
            out[n, 3] = role[k]
            at[stripe] = n + 1


LOW, HIGH, BELOW, COVER = 1, 2, 4, 8
"""Of a cell: a return between grass and roll bar, one over it, one lower than it (ground among them), one over it that
is no building."""


@njit(cache=KEPT, nogil=True, error_model="numpy")
def mark_canopy(points, ground, own_from, own_to, size, low, bar, out):  # type: ignore[no-untyped-def]
    """Mark the cells (see `LOW`) of the rows `own_from` to `own_to` of the whole grid by the height of their returns.

    points: (n, 4), see `to_stripes`. ground: (rows, cols), m, of the whole grid, NaN where not known: there a return
    that is not ground counts as high, since nothing is known of what it hangs over. low, bar: m over the ground.
    """
    cols = ground.shape[1]
    for k in range(points.shape[0]):
        i, j = int(points[k, 1] / MM / size), int(points[k, 0] / MM / size)
        if i < own_from or i >= own_to or j >= cols:
            continue
        role = points[k, 3] % LAST
        if role in (GROUND, WATER):
            out[i, j] |= BELOW
            continue
        z = ground[i, j]
        height = points[k, 2] / MM - z
        if math.isnan(z) or height >= bar:
            out[i, j] |= HIGH
            if role != BUILDING and role != BRIDGE:
                out[i, j] |= COVER
        else:
            out[i, j] |= BELOW
            if height >= low and role != BUILDING and role != BRIDGE:
                out[i, j] |= LOW


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _by_cell(points, which, first_row, rows, cols, size, start, order):  # type: ignore[no-untyped-def]
    """Order the points that `which` names by cell: start (rows * cols + 1,), order (at least as many as there are)."""
    start[:] = 0
    for k in range(points.shape[0]):
        if which[k]:
            i, j = int(points[k, 1] / MM / size) - first_row, int(points[k, 0] / MM / size)
            start[i * cols + j + 1] += 1
    for c in range(rows * cols):
        start[c + 1] += start[c]
    for k in range(points.shape[0]):
        if which[k]:
            i, j = int(points[k, 1] / MM / size) - first_row, int(points[k, 0] / MM / size)
            order[start[i * cols + j]] = k
            start[i * cols + j] += 1
    for c in range(rows * cols, 0, -1):
        start[c] = start[c - 1]
    start[0] = 0


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _each_once(points, cells, start, order):  # type: ignore[no-untyped-def]
    """Leave points out that lie where another of their cell does, to the millimetre; gives how many are left."""
    most = 0
    for c in range(cells):
        most = max(most, start[c + 1] - start[c])
    keys = np.empty(most, np.int64)
    n, first = 0, 0
    for c in range(cells):
        last = start[c + 1]
        start[c] = n
        for k in range(first, last):
            at = order[k]
            # Within a cell 16 bits of x and of y tell places apart: cells are narrower than 65 m.
            x, y, z = np.int64(points[at, 0]), np.int64(points[at, 1]), np.int64(points[at, 2])
            key = ((x & 0xFFFF) << 48) | ((y & 0xFFFF) << 32) | (z & 0xFFFFFFFF)
            held, again = n - start[c], 0
            # To the end, which runs on many at once.
            for m in range(held):
                again |= keys[m] == key
            if not again:
                keys[held] = key
                order[n] = at
                n += 1
        first = last
    start[cells] = n
    return n


def by_cell(
    points: NDArray[np.int32], which: NDArray[np.bool_], first_row: int, rows: int, cols: int, size: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The points (n, 4) that `which` names, by cell of a part of the grid: start (rows * cols + 1,) and their numbers.

    first_row: of the part on the grid from which x and y count. Points must lie within the part. A point that comes
    again, as from files that overlap or one that is given twice, counts once: it is no second look at the ground.
    """
    start, order = np.zeros(rows * cols + 1, np.int64), np.empty(int(np.count_nonzero(which)), np.int64)
    _by_cell(points, which, first_row, rows, cols, size, start, order)
    return start, order[: _each_once(points, rows * cols, start, order)]
