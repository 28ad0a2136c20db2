"""Heights at cell centres from the ground points of the cells, and across small gaps between them."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _plane(w, dx, dy, z, n):  # type: ignore[no-untyped-def]
    """Height at the origin and gradient of the plane through n weighted nodes; the weighted mean where they lie along
    one line."""
    s, sx, sy, sxx, sxy, syy, sz, sxz, syz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        s += w[k]
        sx += w[k] * dx[k]
        sy += w[k] * dy[k]
        sz += w[k] * z[k]
    mx, my, mz = sx / s, sy / s, sz / s
    for k in range(n):
        x, y, v = dx[k] - mx, dy[k] - my, z[k] - mz
        sxx += w[k] * x * x
        sxy += w[k] * x * y
        syy += w[k] * y * y
        sxz += w[k] * x * v
        syz += w[k] * y * v
    det = sxx * syy - sxy * sxy
    # Nodes within a tenth of their length of one line tell no slope across it.
    if not det > 0.01 * (0.5 * (sxx + syy)) ** 2:
        return mz, 0.0, 0.0
    gx = (sxz * syy - syz * sxy) / det
    gy = (syz * sxx - sxz * sxy) / det
    return mz - gx * mx - gy * my, gx, gy


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _centres(count, xy, sums, size, out):  # type: ignore[no-untyped-def]
    rows, cols = count.shape
    w, dx, dy, z = np.ones(9), np.empty(9), np.empty(9), np.empty(9)
    for i in range(rows):
        for j in range(cols):
            if count[i, j] == 0:
                continue
            n = 0
            for ii in range(max(0, i - 1), min(rows, i + 2)):
                for jj in range(max(0, j - 1), min(cols, j + 2)):
                    c = count[ii, jj]
                    if c > 0:
                        dx[n] = (jj - j) * size + xy[0, ii, jj] / c
                        dy[n] = (ii - i) * size + xy[1, ii, jj] / c
                        z[n] = sums[ii, jj] / c
                        n += 1
            c = count[i, j]
            here = sums[i, j] / c
            if n >= 4:
                _, gx, gy = _plane(w, dx, dy, z, n)
                here -= gx * (xy[0, i, j] / c) + gy * (xy[1, i, j] / c)
            out[i, j] = here


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _fill(count, xy, sums, used, size, gap, out):  # type: ignore[no-untyped-def]
    rows, cols = count.shape
    far = int(gap / size) + 1
    most = (2 * far + 1) ** 2
    w, dx, dy, z = np.empty(most), np.empty(most), np.empty(most), np.empty(most)
    seen = np.empty(4, np.bool_)
    for i in range(rows):
        for j in range(cols):
            if count[i, j] != 0 or not used[i, j]:
                continue
            n = 0
            nearest = math.inf
            seen[:] = False
            # Ring by ring, until there is ground on all four sides.
            for ring in range(1, far + 1):
                for ii in range(i - ring, i + ring + 1):
                    for jj in range(j - ring, j + ring + 1):
                        if max(abs(ii - i), abs(jj - j)) != ring or ii < 0 or ii >= rows or jj < 0 or jj >= cols:
                            continue
                        c = count[ii, jj]
                        if c == 0:
                            continue
                        x, y = (jj - j) * size + xy[0, ii, jj] / c, (ii - i) * size + xy[1, ii, jj] / c
                        away = x * x + y * y
                        if away > gap * gap:
                            continue
                        nearest = min(nearest, away)
                        dx[n], dy[n], z[n], w[n] = x, y, sums[ii, jj] / c, 1.0 / max(away, 1e-4)
                        n += 1
                        if abs(x) >= abs(y):
                            seen[0 if x > 0.0 else 1] = True
                        if abs(y) >= abs(x):
                            seen[2 if y > 0.0 else 3] = True
                if (seen[0] + seen[1] + seen[2] + seen[3] >= 3 and n >= 4) or (
                    n == 0 and ring * size > 0.5 * gap + size
                ):
                    break
            if 4.0 * nearest <= gap * gap and seen[0] + seen[1] + seen[2] + seen[3] >= 3:
                level, _, _ = _plane(w, dx, dy, z, n)
                # As a triangulation, never beyond what it rests on.
                out[i, j] = min(max(level, z[:n].min()), z[:n].max())


def ground_of_cells(
    count: NDArray[np.uint32],
    xy: NDArray[np.float32],
    sums: Array,
    used: NDArray[np.bool_],
    size: float,
    gap: float,
) -> Array:
    """Ground at cell centres, (rows, cols), m, NaN where it is not known.

    count: ground points of each cell; xy: (2, rows, cols), sums of their distances (m) east and south of its middle;
    sums: of their heights (m). used: cells that are asked for. size: cell, m. gap: width (m) of a gap that is filled.

    A cell with points has their mean, carried from their centre to the middle of the cell along the plane through the
    means of the cells around: on a plane this is exact, as a triangulation is. A cell without, whose nearest mean lies
    within half a gap, has the plane through the means within a gap that are nearest on its sides, weighted by one over
    the distance squared, where ground lies on three of its four sides at least: nothing is carried on beyond the last
    return.
    """
    out = np.full(count.shape, np.nan)
    _centres(count, xy, sums, size, out)
    if gap > 0.0:
        _fill(count, xy, sums, used, size, gap, out)
    return out
