"""Ground that is level but for its noise, in a box round each cell."""

from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT
from slopekit.kernels.ponds import MISSING, Millimetres

Bool = NDArray[np.bool_]
Array = NDArray[np.float64]


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _boxes(h, up, left, mean, variance, count, total, squares):  # type: ignore[no-untyped-def]
    """Whole numbers all the way, so that no sum depends on where the array begins."""
    rows, cols = h.shape
    least = (2 * up + 1) * (2 * left + 1)
    for i in range(-up, rows):
        for add in range(2):
            ii = i + up if add == 0 else i - up - 1
            if 0 <= ii < rows:
                sign = 1 - 2 * add
                for j in range(cols):
                    if h[ii, j] != MISSING:
                        v = np.int64(h[ii, j])
                        count[j] += sign
                        total[j] += sign * v
                        squares[j] += sign * v * v
        if i < 0:
            continue
        n, s, q = np.int64(0), np.int64(0), np.int64(0)
        for j in range(-left, cols):
            if j + left < cols:
                n += count[j + left]
                s += total[j + left]
                q += squares[j + left]
            if j - left - 1 >= 0:
                n -= count[j - left - 1]
                s -= total[j - left - 1]
                q -= squares[j - left - 1]
            if j >= 0 and h[i, j] != MISSING and 3 * n >= least:
                mean[i, j] = s / n
                variance[i, j] = (n * q - s * s) / (n * n)


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _slope(a, b, c, length):  # type: ignore[no-untyped-def]
    """Of the means behind, at and before a cell; from the cell alone where one is missing."""
    if np.isnan(a):
        return 0.0 if np.isnan(c) else (c - b) / length
    return (b - a) / length if np.isnan(c) else (c - a) / (2.0 * length)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _level(mean, variance, up, left, dx, dy, grade, rough, out):  # type: ignore[no-untyped-def]
    rows, cols = mean.shape
    for i in range(rows):
        for j in range(cols):
            b = mean[i, j]
            if not variance[i, j] <= rough * rough:
                continue
            p = _slope(
                mean[i, j - left] if j >= left else np.nan,
                b,
                mean[i, j + left] if j + left < cols else np.nan,
                left * dx,
            )
            q = _slope(mean[i - up, j] if i >= up else np.nan, b, mean[i + up, j] if i + up < rows else np.nan, up * dy)
            out[i, j] = p * p + q * q <= grade * grade


def level_cells(
    ground: Millimetres, up: int, left: int, dx: float, dy: float, grades: Sequence[float], rough: float
) -> tuple[list[Bool], Array, Array]:
    """Cells round which the ground is level and smooth, and mean and variance of the heights in the box round each.

    ground: (rows, cols), MISSING where nothing is known. up, left: the box reaches so many cells to each side. dx, dy:
    cell sides, m. grades: greatest slopes of the means over two boxes, millimetres a metre. rough: greatest standard
    deviation in a box, mm. Returns (levels, mean, variance), all (rows, cols): the cells for each grade; mm and mm2,
    NaN where a cell is missing or two thirds of its box are.
    """
    mean, variance = np.full(ground.shape, np.nan), np.full(ground.shape, np.nan)
    sums = (np.zeros(ground.shape[1], np.int64) for _ in range(3))
    _boxes(ground, up, left, mean, variance, *sums)
    levels = [np.zeros(ground.shape, bool) for _ in grades]
    for grade, out in zip(grades, levels, strict=True):
        _level(mean, variance, up, left, dx, dy, grade, rough, out)
    return levels, mean, variance
