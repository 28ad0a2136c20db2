"""First derivatives of a surface on a 3 x 3 window, and Gaussian smoothing. Missing cells are NaN and stay missing."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]


@njit(cache=KEPT, nogil=True)
def horn(z: Array, dx: float, dy: float) -> tuple[Array, Array]:
    """Gradient by Horn (1981): p = dz/dx (columns to the right), q = dz/dy (rows downward); both (rows, cols).

    A cell with a missing neighbour, or on the array's border, has no gradient (NaN).
    """
    rows, cols = z.shape
    p = np.full((rows, cols), np.nan)
    q = np.full((rows, cols), np.nan)
    fx, fy = 1.0 / (8.0 * dx), 1.0 / (8.0 * dy)
    for i in range(1, rows - 1):
        for j in range(1, cols - 1):
            if math.isnan(z[i, j]):
                continue
            a, b, c = z[i - 1, j - 1], z[i - 1, j], z[i - 1, j + 1]
            d, f = z[i, j - 1], z[i, j + 1]
            g, h, k = z[i + 1, j - 1], z[i + 1, j], z[i + 1, j + 1]
            p[i, j] = ((c + k) + 2.0 * f - ((a + g) + 2.0 * d)) * fx
            q[i, j] = ((g + k) + 2.0 * h - ((a + c) + 2.0 * b)) * fy
            # Each gradient leaves two neighbours out; a void there is a missing neighbour all the same.
            if math.isnan(p[i, j]) or math.isnan(q[i, j]):
                p[i, j] = np.nan
                q[i, j] = np.nan
    return p, q


@njit(cache=KEPT, nogil=True)
def zevenbergen_thorne(z: Array, dx: float, dy: float) -> tuple[Array, Array]:
    """Gradient by Zevenbergen and Thorne (1987), from the four nearest neighbours. Conventions as in `horn`."""
    rows, cols = z.shape
    p = np.full((rows, cols), np.nan)
    q = np.full((rows, cols), np.nan)
    fx, fy = 1.0 / (2.0 * dx), 1.0 / (2.0 * dy)
    for i in range(1, rows - 1):
        for j in range(1, cols - 1):
            around = z[i - 1, j - 1] + z[i - 1, j + 1] + z[i + 1, j - 1] + z[i + 1, j + 1] + z[i, j]
            px = (z[i, j + 1] - z[i, j - 1]) * fx
            qy = (z[i + 1, j] - z[i - 1, j]) * fy
            if not math.isnan(around + px + qy):
                p[i, j] = px
                q[i, j] = qy
    return p, q


@njit(cache=KEPT, nogil=True)
def gaussian(z: Array, sigma_rows: float, sigma_cols: float) -> Array:
    """`z` smoothed by a Gaussian cut off at four sigma (in cells). NaN near missing cells and the border."""
    rows, cols = z.shape
    out = z
    for axis in range(2):
        sigma = sigma_rows if axis == 0 else sigma_cols
        radius = math.ceil(4.0 * sigma - 1e-9)
        if radius == 0:
            continue
        weight = np.empty(radius + 1)
        for k in range(radius + 1):
            weight[k] = math.exp(-0.5 * (k / sigma) ** 2)
        weight /= weight[0] + 2.0 * weight[1:].sum()
        src = out
        out = np.full((rows, cols), np.nan)
        if axis == 0:
            for i in range(radius, rows - radius):
                for j in range(cols):
                    out[i, j] = weight[0] * src[i, j]
                for k in range(1, radius + 1):
                    for j in range(cols):
                        out[i, j] += weight[k] * (src[i - k, j] + src[i + k, j])
        else:
            for i in range(rows):
                for j in range(radius, cols - radius):
                    total = weight[0] * src[i, j]
                    for k in range(1, radius + 1):
                        total += weight[k] * (src[i, j - k] + src[i, j + k])
                    out[i, j] = total
    return out


@njit(cache=KEPT, nogil=True)
def completed(smooth: Array, z: Array, sigma_rows: float, sigma_cols: float) -> Array:
    """`smooth`, with the cells beside missing ones and the border smoothed over what is there. Missing cells stay."""
    rows, cols = z.shape
    up, right = math.ceil(4.0 * sigma_rows - 1e-9), math.ceil(4.0 * sigma_cols - 1e-9)
    out = smooth.copy()
    for i in range(rows):
        for j in range(cols):
            if not math.isnan(smooth[i, j]) or math.isnan(z[i, j]):
                continue
            total = weights = 0.0
            for di in range(max(-up, -i), min(up, rows - 1 - i) + 1):
                for dj in range(max(-right, -j), min(right, cols - 1 - j) + 1):
                    if not math.isnan(z[i + di, j + dj]):
                        weight = math.exp(-0.5 * ((di / sigma_rows) ** 2 + (dj / sigma_cols) ** 2))
                        total += weight * (z[i + di, j + dj] - z[i, j])
                        weights += weight
            out[i, j] = z[i, j] + total / weights
    return out


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _compared(p, q, ps, qs, allowance, out):  # type: ignore[no-untyped-def]
    rows, cols = p.shape
    for i in range(rows):
        for j in range(cols):
            local = math.sqrt(p[i, j] * p[i, j] + q[i, j] * q[i, j])
            smooth = math.sqrt(ps[i, j] * ps[i, j] + qs[i, j] * qs[i, j])
            # tan(a - b), which spares the arctangent of every cell.
            lowered = (local - allowance) / (1.0 + local * allowance)
            if smooth != smooth:
                out[i, j] = local
            else:
                out[i, j] = lowered if lowered > smooth else smooth


def compared_grade(p: Array, q: Array, ps: Array, qs: Array, allowance: float) -> Array:
    """Tangent of max(slope of the smoothed surface, local slope - allowance), (rows, cols).

    p, q: local gradient; ps, qs: gradient of the smoothed surface; allowance: tangent of the allowance's angle. Where
    the smoothed slope is not known (a void near by) the local one counts in full; where that is not known either, NaN.
    """
    out = np.empty(p.shape)
    _compared(p, q, ps, qs, allowance, out)
    return out
