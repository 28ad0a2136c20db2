"""How far ground stands above what lies on both sides of it: the white top-hat by line segments (Serra 1982)."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

OBLIQUE = 1.0 / math.cos(math.radians(22.5))
"""How much wider a form looks along the line that crosses it most squarely, of four lines 45 degrees apart."""
_STRIP = 64


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _open_columns(a, n):  # type: ignore[no-untyped-def]
    """Flat opening of each column of `a` by a run of n cells, in place. By doubling: about 2 log2(n) passes."""
    rows, cols = a.shape
    span = 1
    while span < n:
        s = min(span, n - span)
        for i in range(rows - s):
            for j in range(cols):
                a[i, j] = min(a[i, j], a[i + s, j])
        span += s
    span = 1
    while span < n:
        s = min(span, n - span)
        for i in range(rows - 1, s - 1, -1):
            for j in range(cols):
                a[i, j] = max(a[i, j], a[i - s, j])
        span += s


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _rise_down(z, shear, n, rise):  # type: ignore[no-untyped-def]
    """Raise `rise` to the top-hat along lines that go `shear` columns to the right with each row down."""
    rows, cols = z.shape
    first = -(rows - 1) if shear > 0 else 0
    last = cols + (rows - 1 if shear < 0 else 0)
    # Strips of neighbouring lines fit the processor's cache, so that the passes cost little memory traffic.
    strip = np.empty((rows + 2 * n, _STRIP))
    for j0 in range(first, last, _STRIP):
        top, bottom = 0, rows
        if shear > 0:
            top, bottom = max(0, -(j0 + _STRIP - 1)), min(rows, cols - j0)
        elif shear < 0:
            top, bottom = max(0, j0 - cols + 1), min(rows, j0 + _STRIP)
        if bottom <= top:
            continue
        a = strip[: bottom - top + 2 * n]
        a[:, :] = np.inf
        for i in range(top, bottom):
            for k in range(_STRIP):
                j = j0 + k + shear * i
                if 0 <= j < cols and z[i, j] == z[i, j]:
                    a[i - top + n, k] = z[i, j]
        _open_columns(a, n)
        for i in range(top, bottom):
            for k in range(_STRIP):
                j = j0 + k + shear * i
                if 0 <= j < cols and z[i, j] - a[i - top + n, k] > rise[i, j]:
                    rise[i, j] = z[i, j] - a[i - top + n, k]


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _transposed(z):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    out = np.empty((cols, rows))
    for i0 in range(0, rows, 32):
        for j0 in range(0, cols, 32):
            for i in range(i0, min(rows, i0 + 32)):
                for j in range(j0, min(cols, j0 + 32)):
                    out[j, i] = z[i, j]
    return out


def two_sided_rise(z: Array, dx: float, dy: float, width: float) -> Array:
    """Height of each cell above the higher of the lowest grounds within `width` (m) on both sides, (rows, cols), m.

    The white top-hat z - opening(z) by straight segments along rows, columns and both diagonals, the greatest of the
    four; a segment spans `width` even where it crosses a form up to 22.5 degrees askew. Zero on a plane of any tilt and
    at the edge of a terrace or a hillside, since ground on one side is as high; NaN where z is. Ground that is missing
    or beyond the array counts as high, so what cannot be seen makes nothing stand out. Local: no cell farther than
    `width` * OBLIQUE + 3 cells matters. Serra (1982), Image Analysis and Mathematical Morphology.
    """
    length = width * OBLIQUE
    z = np.ascontiguousarray(z)
    rise = np.zeros(z.shape)
    for shear, step in ((0, dy), (1, math.hypot(dx, dy)), (-1, math.hypot(dx, dy))):
        _rise_down(z, shear, math.ceil(length / step) + 2, rise)
    across = np.zeros((z.shape[1], z.shape[0]))
    _rise_down(_transposed(z), 0, math.ceil(length / dx) + 2, across)
    np.maximum(rise, _transposed(across), out=rise)
    rise[np.isnan(z)] = np.nan
    return rise


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _slide(a, n):  # type: ignore[no-untyped-def]
    """Greatest of each cell and the n - 1 below it, in place."""
    rows, cols = a.shape
    span = 1
    while span < n:
        s = min(span, n - span)
        for i in range(rows - s):
            for j in range(cols):
                a[i, j] = max(a[i, j], a[i + s, j])
        span += s


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _most_down(a, reach):  # type: ignore[no-untyped-def]
    """Greatest of each cell and the `reach` cells above and below it, NaN left out."""
    rows, cols = a.shape
    out = np.empty((rows, cols))
    strip = np.empty((rows + 2 * reach, _STRIP))
    n = 2 * reach + 1
    for j0 in range(0, cols, _STRIP):
        wide = min(_STRIP, cols - j0)
        strip[:reach] = -np.inf
        strip[rows + reach :] = -np.inf
        for i in range(rows):
            for k in range(wide):
                value = a[i, j0 + k]
                strip[i + reach, k] = value if value == value else -np.inf
        _slide(strip, n)
        for i in range(rows):
            for k in range(wide):
                out[i, j0 + k] = strip[i, k]
    return out


def greatest_near(a: Array, dx: float, dy: float, reach: float) -> Array:
    """Greatest value in the square that goes `reach` (m) to each side of a cell, (rows, cols). NaN is left out."""
    down = _most_down(np.ascontiguousarray(a), int(reach / dy))
    return _transposed(_most_down(_transposed(down), int(reach / dx)))


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _chamfer(mask, out, dx, dy):  # type: ignore[no-untyped-def]
    rows, cols = mask.shape
    diagonal = math.hypot(dx, dy)
    for i in range(rows):
        for j in range(cols):
            best = np.inf if mask[i, j] else 0.0
            if best > 0.0 and i > 0:
                best = min(best, out[i - 1, j] + dy)
                if j > 0:
                    best = min(best, out[i - 1, j - 1] + diagonal)
                if j < cols - 1:
                    best = min(best, out[i - 1, j + 1] + diagonal)
            if best > 0.0 and j > 0:
                best = min(best, out[i, j - 1] + dx)
            out[i, j] = best
    for i in range(rows - 1, -1, -1):
        for j in range(cols - 1, -1, -1):
            best = out[i, j]
            if best == 0.0:
                continue
            if i < rows - 1:
                best = min(best, out[i + 1, j] + dy)
                if j > 0:
                    best = min(best, out[i + 1, j - 1] + diagonal)
                if j < cols - 1:
                    best = min(best, out[i + 1, j + 1] + diagonal)
            if j < cols - 1:
                best = min(best, out[i, j + 1] + dx)
            out[i, j] = best


def depth_inside(mask: Bool, dx: float, dy: float) -> Array:
    """Length (m) of the shortest king's path from each cell of `mask` out of it, 0 outside (rows, cols).

    Two-pass chamfer distance (Borgefors 1986). The array's border is no way out; infinite where there is none.
    """
    out = np.empty(mask.shape)
    _chamfer(mask, out, dx, dy)
    return out
