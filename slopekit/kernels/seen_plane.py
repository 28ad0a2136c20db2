"""Slope of the ground that a cell sees: a plane through it that walls hide nothing of and nothing behind them bends."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

REACH = 4.0
"""Sigmas from a cell at which the ground still counts."""


@njit(cache=True, nogil=True)
def seen_gradient(
    z: Array, edge: Bool, face: Bool, asked: Bool, sigma: float, sheer: float, dx: float, dy: float
) -> tuple[Array, Array]:
    """Gradient (p, q) of the plane fitted to the ground round each asked cell, weights by a Gaussian; NaN elsewhere.

    z: (rows, cols), m, NaN missing. edge, face: upper cells of drops, and the cells of their faces. asked: cells to
    work out; those of a face see nothing. sigma: of the Gaussian, m. sheer: grade of a step from or to an edge beyond
    which nothing is seen. dx, dy: cell sides, m. Only cells in straight sight count: the line to them meets no face
    and no sheer step. p = dz/dx to the right, q = dz/dy with rows downward. NaN too where fewer than three cells that
    are not in one line are seen.

    Where all is seen this is the gradient of the surface smoothed by the same Gaussian (arithmetic: the slope of a
    plane weighted by w is the derivative of w * z).
    """
    rows, cols = z.shape
    p = np.full((rows, cols), np.nan)
    q = np.full((rows, cols), np.nan)
    up, right = int(REACH * sigma / dy), int(REACH * sigma / dx)
    for i in range(rows):
        for j in range(cols):
            if not asked[i, j] or face[i, j] or math.isnan(z[i, j]):
                continue
            n = sx = sy = sz = sxx = syy = sxy = sxz = syz = 0.0
            for di in range(max(-up, -i), min(up, rows - 1 - i) + 1):
                for dj in range(max(-right, -j), min(right, cols - 1 - j) + 1):
                    x, y = dj * dx, di * dy
                    far = (x * x + y * y) / (sigma * sigma)
                    if far > REACH * REACH or math.isnan(z[i + di, j + dj]):
                        continue
                    if not _sees(z, edge, face, i, j, di, dj, sheer, dx, dy):
                        continue
                    w, rise = math.exp(-0.5 * far), z[i + di, j + dj] - z[i, j]
                    n += w
                    sx += w * x
                    sy += w * y
                    sz += w * rise
                    sxx += w * x * x
                    syy += w * y * y
                    sxy += w * x * y
                    sxz += w * x * rise
                    syz += w * y * rise
            if n == 0.0:
                continue
            cxx, cyy, cxy = sxx - sx * sx / n, syy - sy * sy / n, sxy - sx * sy / n
            cxz, cyz = sxz - sx * sz / n, syz - sy * sz / n
            area = cxx * cyy - cxy * cxy
            if area > 1e-9 * (cxx + cyy) ** 2:
                p[i, j] = (cxz * cyy - cyz * cxy) / area
                q[i, j] = (cyz * cxx - cxz * cxy) / area
    return p, q


@njit(cache=True, nogil=True)
def _sees(z, edge, face, i, j, di, dj, sheer, dx, dy):  # type: ignore[no-untyped-def]
    """Whether the straight line over the cells from (i, j) meets no face and no sheer step."""
    steps = max(abs(di), abs(dj))
    a, b = i, j
    for k in range(1, steps + 1):
        c, d = i + _rounded(k * di, steps), j + _rounded(k * dj, steps)
        if not _passes(z, edge, face, a, b, c, d, sheer, dx, dy):
            return False
        # Between two faces that meet at a corner nothing is seen either.
        if (
            c != a
            and d != b
            and not (
                _passes(z, edge, face, a, b, a, d, sheer, dx, dy) or _passes(z, edge, face, a, b, c, b, sheer, dx, dy)
            )
        ):
            return False
        a, b = c, d
    return True


@njit(cache=True, nogil=True)
def _rounded(a, n):  # type: ignore[no-untyped-def]
    """a / n to the nearest whole number, halves away from zero, so that a turned grid gives the turned cells."""
    whole = (2 * abs(a) + n) // (2 * n)
    return whole if a >= 0 else -whole


@njit(cache=True, nogil=True)
def _passes(z, edge, face, a, b, c, d, sheer, dx, dy):  # type: ignore[no-untyped-def]
    if face[c, d]:
        return False
    if not (edge[a, b] or edge[c, d]):
        return True
    length = math.sqrt(((c - a) * dy) ** 2 + ((d - b) * dx) ** 2)
    # A missing cell hides nothing by itself.
    return not abs(z[c, d] - z[a, b]) >= sheer * length
