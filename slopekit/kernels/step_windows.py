"""Steps in the points of a stripe of the grid, window by window."""

import math

import numpy as np
from numba import njit

from slopekit.kernels import KEPT
from slopekit.kernels.point_cells import MM
from slopekit.kernels.step_fit import (
    ABOVE,
    BELOW,
    BINS,
    ERROR,
    FIGURES,
    HEIGHT,
    NX,
    NY,
    OFFSET,
    PLAIN,
    RESIDUAL,
    WORK,
    fit_step,
)

HALF = 1.5
"""Half a window's side, m."""
LEAST = 4
"""Points that each side of a step must have."""
MOST = 32
"""Points of one cell that are used: every so many of more."""
SHARE = 0.15
"""A step in the window leaves at least this part of its height as residual (RMS) of the plain plane, wherever it runs
(0.19 on evenly spread points, tests/points/test_step_fit.py). So a smooth window needs no fit."""
SMOOTH = 0.06
"""Residual (RMS, m) of the plain plane up to which no step is looked for: none over 0.4 m can be there."""
Z_99 = 2.576
"""Standard errors of a 99 % interval."""
SHARP = 5.0
"""A step counts from this many standard errors on."""
CLEARER = 0.7
"""With the step the residual must be this part of that without, at most."""
STEEPEST = 0.55
"""Grade of ground up to which points can say that it is no drop: 2:1, and a little for noise. What is steeper may be a
drop without any step in it."""
DENSE = 8.0
"""Ground points a square metre on both sides, to say that there is no step."""
NODE = 12
"""Columns of a node: row, column, x, y (m from the grid's corner, east and south) of a place on the line, unit vector
to the upper side (east, south), height, its standard error, residual (m), points on the upper and on the lower side,
and whether points that the survey left unclassified were needed."""


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _gather(points, start, order, i, j, rows, cols, first_row, size, half, low, high, px, py, pz, n):  # type: ignore[no-untyped-def]
    """Add the points of the window round cell (i, j) of the stripe whose height lies within `low` and `high`."""
    far = math.ceil(half / size - 0.5)
    x0, y0 = (j + 0.5) * size, (i + first_row + 0.5) * size
    for ii in range(max(0, i - far), min(rows, i + far + 1)):
        for jj in range(max(0, j - far), min(cols, j + far + 1)):
            c = ii * cols + jj
            held = start[c + 1] - start[c]
            if held == 0:
                continue
            by = (held + MOST - 1) // MOST
            for k in range(start[c], start[c + 1], by):
                at = order[k]
                x, y, z = points[at, 0] / MM - x0, points[at, 1] / MM - y0, points[at, 2] / MM
                if abs(x) <= half and abs(y) <= half and low <= z <= high and n < px.size:
                    px[n], py[n], pz[n] = x, y, z
                    n += 1
    return n


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _extent(points, start, order, rows, cols, low, high):  # type: ignore[no-untyped-def]
    """Lowest and highest point of each cell."""
    for c in range(rows * cols):
        low[c], high[c] = math.inf, -math.inf
        for k in range(start[c], start[c + 1]):
            z = points[order[k], 2] / MM
            low[c] = min(low[c], z)
            high[c] = max(high[c], z)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _range(low, high, i, j, rows, cols, far):  # type: ignore[no-untyped-def]
    a, b = math.inf, -math.inf
    for ii in range(max(0, i - far), min(rows, i + far + 1)):
        for jj in range(max(0, j - far), min(cols, j + far + 1)):
            a = min(a, low[ii * cols + jj])
            b = max(b, high[ii * cols + jj])
    return a, b


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _plain(x, y, z, n):  # type: ignore[no-untyped-def]
    """Residual (RMS, m) of the plane through n points and its grade, NaN where there is none."""
    mx, my, mz = 0.0, 0.0, 0.0
    for k in range(n):
        mx += x[k]
        my += y[k]
        mz += z[k]
    mx, my, mz = mx / n, my / n, mz / n
    sxx, sxy, syy, sxz, syz, szz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        a, b, c = x[k] - mx, y[k] - my, z[k] - mz
        sxx += a * a
        sxy += a * b
        syy += b * b
        sxz += a * c
        syz += b * c
        szz += c * c
    det = sxx * syy - sxy * sxy
    if n < 4 or not det > 1e-6 * sxx * syy:
        return math.nan, math.nan
    gx, gy = (sxz * syy - syz * sxy) / det, (syz * sxx - sxz * sxy) / det
    return math.sqrt(max(0.0, szz - gx * sxz - gy * syz) / (n - 3.0)), math.hypot(gx, gy)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _squares(x, y, n, out):  # type: ignore[no-untyped-def]
    """Points in each of the nine squares of a metre."""
    out[:] = 0.0
    for k in range(n):
        a = min(2, max(0, int((x[k] + HALF) * (3.0 / (2.0 * HALF)))))
        b = min(2, max(0, int((y[k] + HALF) * (3.0 / (2.0 * HALF)))))
        out[b, a] += 1.0


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _unbroken(ground, loose):  # type: ignore[no-untyped-def]
    """Whether the ground filter left no gap: each square holds half of what is asked, and more than it left aside."""
    for b in range(3):
        for a in range(3):
            if ground[b, a] < 0.5 * DENSE or loose[b, a] > ground[b, a]:
                return False
    return True


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _dense_strips(ground):  # type: ignore[no-untyped-def]
    least = 3.0 * DENSE
    for k in range(3):
        across, down = ground[k, 0] + ground[k, 1] + ground[k, 2], ground[0, k] + ground[1, k] + ground[2, k]
        if min(across, down) < least:
            return False
    return True


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _dense_sides(x, y, n, nx, ny, offset):  # type: ignore[no-untyped-def]
    """Whether within a metre of the line the points on both sides are dense, by the area that the window has there."""
    above, below, area_above, area_below = 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        u = x[k] * nx + y[k] * ny - offset
        if 0.0 < u <= 1.0:
            above += 1.0
        elif -1.0 <= u <= 0.0:
            below += 1.0
    for b in range(12):
        for a in range(12):
            u = ((a + 0.5) / 6.0 - 1.0) * HALF * nx + ((b + 0.5) / 6.0 - 1.0) * HALF * ny - offset
            if 0.0 < u <= 1.0:
                area_above += 1.0
            elif -1.0 <= u <= 0.0:
                area_below += 1.0
    cell = (2.0 * HALF) ** 2 / 144.0
    return above >= DENSE * area_above * cell > 0.0 and below >= DENSE * area_below * cell > 0.0


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _is_wall(found, least):  # type: ignore[no-untyped-def]
    return (
        found[HEIGHT] >= least and found[HEIGHT] >= SHARP * found[ERROR] and found[RESIDUAL] <= CLEARER * found[PLAIN]
    )


@njit(cache=KEPT, nogil=True, error_model="numpy")
def find_in_stripe(points, ground, loose, first_row, rows, cols, size, own_from, own_to, least, bound, nodes):  # type: ignore[no-untyped-def]
    """Steps in the windows of 3 m round each cell of the rows `own_from` to `own_to` of the grid.

    points: (n, 4), see `point_cells.to_stripes`. ground, loose: start and order of the ground points and of the last
    returns that the survey left unclassified, by cell of the stripe, whose rows are `rows` from `first_row` on. least:
    height (m) of a step that counts.

    bound: (rows, cols) of the whole grid; set to what no step at the cell is higher than (m, 99 %), where the points
    can tell that there is none: dense on both sides, no gap of the ground filter, and no steeper than `STEEPEST`.
    nodes: (most, `NODE`), one for each cell in which the line of a step lies. Returns their number, and that of the
    windows with points enough to fit.
    """
    start, order = ground
    loose_start, loose_order = loose
    low, high = np.empty(rows * cols), np.empty(rows * cols)
    _extent(points, start, order, rows, cols, low, high)
    near, wide = math.ceil(HALF / size - 0.5), math.ceil((HALF + 1.0) / size - 0.5)
    # Two kinds of points, MOST of each cell.
    most = 2 * MOST * (2 * near + 1) ** 2
    x, y, z, work = np.empty(most), np.empty(most), np.empty(most), np.empty((WORK, most))
    at, bins, found = np.empty(most, np.int32), np.empty((BINS, 4)), np.empty(FIGURES)
    squares, loose_squares = np.empty((3, 3)), np.empty((3, 3))
    count, asked = 0, 0
    for i in range(own_from - first_row, own_to - first_row):
        for j in range(cols):
            a, b = _range(low, high, i, j, rows, cols, wide)
            if not b - a >= 0.0:
                continue
            n = _gather(points, start, order, i, j, rows, cols, first_row, size, HALF, -math.inf, math.inf, x, y, z, 0)
            if n >= 2 * LEAST + 2:
                asked += 1
            _squares(x, y, n, squares)
            m = _gather(
                points, loose_start, loose_order, i, j, rows, cols, first_row, size, HALF, a - 0.2, b + 0.2, x, y, z, n
            )
            _squares(x[n:], y[n:], m - n, loose_squares)
            whole = _unbroken(squares, loose_squares)
            plain, grade = _plain(x, y, z, n) if n >= 4 else (math.nan, math.nan)
            may_tell = whole and grade <= STEEPEST
            is_wall, needed = False, 0.0
            if plain > SMOOTH:
                fit_step(x, y, z, n, work, at, bins, LEAST, found)
                is_wall = _is_wall(found, least)
                if may_tell and not is_wall and _dense_sides(x, y, n, found[NX], found[NY], found[OFFSET]):
                    bound[i + first_row, j] = found[HEIGHT] + Z_99 * found[ERROR]
            elif may_tell and _dense_strips(squares):
                bound[i + first_row, j] = plain / SHARE
            # Where the filter took the points beside a wall away, what it left unclassified there may be the wall's.
            if not is_wall and not whole and m > n and b - a >= least:
                fit_step(x, y, z, m, work, at, bins, LEAST, found)
                is_wall, needed = _is_wall(found, least), 1.0
            if not is_wall:
                continue
            px, py = (
                (j + 0.5) * size + found[OFFSET] * found[NX],
                (i + first_row + 0.5) * size + found[OFFSET] * found[NY],
            )
            # The line belongs to the cell in which its nearest place to the middle lies.
            if int(px / size) != j or int(py / size) != i + first_row or count >= nodes.shape[0]:
                continue
            nodes[count, 0], nodes[count, 1] = i + first_row, j
            nodes[count, 2], nodes[count, 3] = px, py
            nodes[count, 4], nodes[count, 5] = found[NX], found[NY]
            nodes[count, 6], nodes[count, 7], nodes[count, 8] = found[HEIGHT], found[ERROR], found[RESIDUAL]
            nodes[count, 9], nodes[count, 10], nodes[count, 11] = found[ABOVE], found[BELOW], needed
            count += 1
    return count, asked
