"""A plane with and without a step in it, fitted to points: does the ground jump here, by how much, and where.

The step is an even ramp of one of a few widths, so that a battered wall counts with its whole height, between two
pieces of one sloping plane. Least squares over azimuth, offset and width. By the theorem of Frisch and Waugh (1933) the
height for one place of the step takes sums over what is left of the heights after the plain plane alone.
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]

AZIMUTHS = 16
"""Directions over a half turn that are tried first, 11 degrees apart: coarser ones read heights low."""
BIN = 0.125
"""Metres: places of the step that are tried first are this far apart."""
BINS = 40
WIDTHS = (0.0, 0.5)
"""Metres over which the step may rise. With the sheer one alone a 1:1 bank of 0.9 m reads 0.4 to 0.5, as a kerb does; a
wider one than these makes the foot of a 3:1 bank read as much (made points, tests/points/point_rates.py)."""
MOST_OFFSET = 0.75
"""Metres from the middle of the window: half of it stays on each side."""
FIGURES = 10
HEIGHT, ERROR, RESIDUAL, PLAIN, NX, NY, OFFSET, ABOVE, BELOW, WIDTH = range(FIGURES)
"""Columns of what `fit_steps` gives: height of the step (m), standard error of it, residual (RMS, m) with the step and
without, unit vector towards the upper side, distance of the line from the middle that way (m), points on the upper and
on the lower side beyond the ramp, width of the ramp (m)."""


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _solve3(a, b, c, d, e, f, x, y, z):  # type: ignore[no-untyped-def]
    """The solution of [[a b c] [b d e] [c e f]] s = (x y z), NaN where there is none."""
    c0, c1, c2 = d * f - e * e, c * e - b * f, b * e - c * d
    det = a * c0 + b * c1 + c * c2
    if not det > 1e-9 * a * d * f:
        return math.nan, math.nan, math.nan
    s0 = (c0 * x + c1 * y + c2 * z) / det
    s1 = (c1 * x + (a * f - c * c) * y + (b * c - a * e) * z) / det
    s2 = (c2 * x + (b * c - a * e) * y + (a * d - b * b) * z) / det
    return s0, s1, s2


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _ramp(u, width):  # type: ignore[no-untyped-def]
    """Part of the step that has been climbed at a distance `u` beyond its middle."""
    if width > 0.0:
        return min(1.0, max(0.0, u / width + 0.5))
    return 1.0 if u > 0.0 else 0.0


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _gain(x, y, r, n, cos, sin, offset, width, m):  # type: ignore[no-untyped-def]
    """Height of a step (m), and what it explains of the sum of squares. r: heights above the plain plane, which is zero
    in sum, by x and by y. m: sums of 1, x, y, xx, xy, yy."""
    s, sx, sy, ss, sr = 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        t = _ramp(x[k] * cos + y[k] * sin - offset, width)
        s += t
        sx += t * x[k]
        sy += t * y[k]
        ss += t * t
        sr += t * r[k]
    p, q, w = _solve3(m[0], m[1], m[2], m[3], m[4], m[5], s, sx, sy)
    own = ss - (p * s + q * sx + w * sy)
    if not own > 1e-6 * m[0]:
        return 0.0, 0.0, 0.0
    return sr / own, sr * sr / own, own


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _coarse(x, y, r, n, bins, least, m):  # type: ignore[no-untyped-def]
    """What the best sheer step explains, its azimuth and its offset, among places a bin apart."""
    best, angle, offset = 0.0, 0.0, 0.0
    half, reach = BINS // 2, int(MOST_OFFSET / BIN)
    for turn in range(AZIMUTHS):
        phi = math.pi * turn / AZIMUTHS
        cos, sin = math.cos(phi), math.sin(phi)
        bins[:] = 0.0
        for k in range(n):
            # Points too far out for a bin join the last one: all places lie between.
            j = min(BINS - 1, max(0, int((x[k] * cos + y[k] * sin) / BIN + half)))
            bins[0, j] += 1.0
            bins[1, j] += x[k]
            bins[2, j] += y[k]
            bins[3, j] += r[k]
        s, sx, sy, sr = 0.0, 0.0, 0.0, 0.0
        for j in range(BINS - 1, half - reach - 1, -1):
            s += bins[0, j]
            sx += bins[1, j]
            sy += bins[2, j]
            sr += bins[3, j]
            if j > half + reach or s < least or n - s < least:
                continue
            p, q, w = _solve3(m[0], m[1], m[2], m[3], m[4], m[5], s, sx, sy)
            own = s - (p * s + q * sx + w * sy)
            if own > 1e-6 * m[0] and sr * sr / own > best:
                best, angle, offset = sr * sr / own, phi, (j - half) * BIN
    return best, angle, offset


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _refined(x, y, r, n, angle, offset, width, m):  # type: ignore[no-untyped-def]
    """Height, what it explains, sum of squares of its own, azimuth and offset of the best step near one."""
    height, best, own = _gain(x, y, r, n, math.cos(angle), math.sin(angle), offset, width, m)
    turn_by, move_by = 0.5 * math.pi / AZIMUTHS, 0.5 * BIN
    for _ in range(3):
        for k in range(4):
            sign = 1.0 - 2.0 * (k % 2)
            phi = angle + sign * turn_by if k < 2 else angle
            d = offset + sign * move_by if k >= 2 else offset
            if abs(d) > MOST_OFFSET + BIN:
                continue
            h, g, o = _gain(x, y, r, n, math.cos(phi), math.sin(phi), d, width, m)
            if g > best:
                height, best, own, angle, offset = h, g, o, phi, d
        turn_by, move_by = 0.5 * turn_by, 0.5 * move_by
    return height, best, own, angle, offset


@njit(cache=KEPT, nogil=True, error_model="numpy")
def fit_step(x, y, z, n, r, bins, least, out):  # type: ignore[no-untyped-def]
    """The step that explains the points best. x, y, z: at least `n` points, m, x and y from the middle of the window.

    r: (n,), bins: (4, BINS), for scratch. least: points that each side beyond the ramp must have. out: `FIGURES`, NaN
    where nothing can be told: too few points, on one side only, or along one line.
    """
    out[:] = math.nan
    if n < 2 * least + 2:
        return
    m = np.zeros(6)
    tx, ty, tz = 0.0, 0.0, 0.0
    z0 = z[0]
    for k in range(n):
        m[0] += 1.0
        m[1] += x[k]
        m[2] += y[k]
        m[3] += x[k] * x[k]
        m[4] += x[k] * y[k]
        m[5] += y[k] * y[k]
        tz += z[k] - z0
        tx += x[k] * (z[k] - z0)
        ty += y[k] * (z[k] - z0)
    a, b, c = _solve3(m[0], m[1], m[2], m[3], m[4], m[5], tz, tx, ty)
    if math.isnan(a):
        return
    plain = 0.0
    for k in range(n):
        r[k] = z[k] - z0 - a - b * x[k] - c * y[k]
        plain += r[k] * r[k]
    start, angle, offset = _coarse(x, y, r, n, bins, least, m)
    if not start > 0.0:
        return
    height, best, own, width = 0.0, 0.0, 0.0, -1.0
    at_angle, at_offset = angle, offset
    for kind in range(len(WIDTHS)):
        h, g, o, phi, d = _refined(x, y, r, n, at_angle, at_offset, WIDTHS[kind], m)
        if g > best:
            height, best, own, angle, offset, width = h, g, o, phi, d, WIDTHS[kind]
    if width < 0.0:
        return
    cos, sin = math.cos(angle), math.sin(angle)
    if height < 0.0:
        height, cos, sin, offset = -height, -cos, -sin, -offset
    above, below = 0.0, 0.0
    high_from, high_to, low_from, low_to = math.inf, -math.inf, math.inf, -math.inf
    for k in range(n):
        u, v = x[k] * cos + y[k] * sin - offset, y[k] * cos - x[k] * sin
        if u > 0.5 * width:
            above += 1.0
            high_from, high_to = min(high_from, v), max(high_to, v)
        elif u <= -0.5 * width:
            below += 1.0
            low_from, low_to = min(low_from, v), max(low_to, v)
    # Points of one side all in one place along the line would leave its slope to chance.
    if above < least or below < least or high_to - high_from < 1.0 or low_to - low_from < 1.0:
        return
    freedom = n - 6.0  # plane, step, azimuth and offset
    residual = math.sqrt(max(0.0, plain - best) / max(1.0, freedom))
    out[HEIGHT], out[ERROR] = height, residual / math.sqrt(own)
    out[RESIDUAL], out[PLAIN] = residual, math.sqrt(plain / max(1.0, n - 3.0))
    out[NX], out[NY], out[OFFSET] = cos, sin, offset
    out[ABOVE], out[BELOW], out[WIDTH] = above, below, width
