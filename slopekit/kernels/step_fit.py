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
REACH = 6
"""Places to each side of the middle of the window: within 0.75 m of it, so that half of it stays on each side."""
BINS = 2 * REACH + 2
MOST_OFFSET = REACH * BIN
WIDTHS = (0.0, 0.5)
"""Metres over which the step may rise. With the sheer one alone a 1:1 bank of 0.9 m reads 0.4 to 0.5, as a kerb does; a
wider one than these makes the foot of a 3:1 bank read as much (made points, tests/points/point_rates.py)."""
ROUNDS = 3
"""Times that the best place is refined, by half as much each: so far in all can the line move and turn."""
MOVED = (1.0 - 0.5**ROUNDS) * BIN
TURNED = (1.0 - 0.5**ROUNDS) * math.pi / AZIMUTHS
TIE = 1e-9
"""Lines that part the points alike explain the same but for rounding. Of these the one farthest from all points counts:
where returns are few or the filter took some, the wall stands in the middle of the gap and not anywhere in it."""
WORK = 4
"""Rows of scratch: heights above the plain plane, and those that the refinement looks at again with their places."""
_TURNS = np.array([[math.cos(math.pi * k / AZIMUTHS), math.sin(math.pi * k / AZIMUTHS)] for k in range(AZIMUTHS)])
FIGURES = 10
HEIGHT, ERROR, RESIDUAL, PLAIN, NX, NY, OFFSET, ABOVE, BELOW, WIDTH = range(FIGURES)
"""Columns of what `fit_steps` gives: height of the step (m), standard error of it, residual (RMS, m) with the step and
without, unit vector towards the upper side, distance of the line from the middle that way (m), points on the upper and
on the lower side beyond the ramp, width of the ramp (m)."""


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _inverse3(a, b, c, d, e, f):  # type: ignore[no-untyped-def]
    """The inverse of [[a b c] [b d e] [c e f]], by rows from the diagonal on; NaN where there is none."""
    det = a * (d * f - e * e) + b * (c * e - b * f) + c * (b * e - c * d)
    by = 1.0 / det if det > 1e-9 * a * d * f else math.nan
    return (
        by * (d * f - e * e),
        by * (c * e - b * f),
        by * (b * e - c * d),
        by * (a * f - c * c),
        by * (b * c - a * e),
        by * (a * d - b * b),
    )


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _own(inverse, s, sx, sy, ss):  # type: ignore[no-untyped-def]
    """Sum of squares of a step that no plane takes. s, sx, sy, ss: sums of the step, by x, by y, and of its square."""
    p = inverse[0] * s + inverse[1] * sx + inverse[2] * sy
    q = inverse[1] * s + inverse[3] * sx + inverse[4] * sy
    w = inverse[2] * s + inverse[4] * sx + inverse[5] * sy
    return ss - (p * s + q * sx + w * sy)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _gain(work, near, sure, cos, sin, offset, width, inverse, least_own):  # type: ignore[no-untyped-def]
    """Height of a step (m), what it explains of the sum of squares, its own, and how far from its line (m) the nearest
    point is. work, near, sure: see `_near`."""
    s, sx, sy, sr = sure
    ss, gap, slope = s, math.inf, 1.0 / width if width > 0.0 else 0.0
    for k in range(near):
        x, y = work[1, k], work[2, k]
        u = x * cos + y * sin - offset
        gap = min(gap, abs(u))
        # No branch on where a point lies: half of them would be guessed wrong.
        if width > 0.0:
            t = min(1.0, max(0.0, u * slope + 0.5))
        else:
            t = 1.0 if u > 0.0 else 0.0
        s += t
        sx += t * x
        sy += t * y
        ss += t * t
        sr += t * work[3, k]
    own = _own(inverse, s, sx, sy, ss)
    if not own > least_own:
        return 0.0, 0.0, 0.0, 0.0
    return sr / own, sr * sr / own, own, gap


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _gap(x, y, n, cos, sin, offset):  # type: ignore[no-untyped-def]
    gap = math.inf
    for k in range(n):
        gap = min(gap, abs(x[k] * cos + y[k] * sin - offset))
    return gap


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _coarse(x, y, r, n, at, bins, least, inverse, least_own):  # type: ignore[no-untyped-def]
    """What the best sheer step explains, its azimuth and its offset, among places a bin apart."""
    best, best_turn, offset, gap = 0.0, 0, 0.0, -1.0
    for turn in range(AZIMUTHS):
        cos, sin = _TURNS[turn, 0] / BIN, _TURNS[turn, 1] / BIN
        # Points too far out for a bin join the last one: all places lie between. This loop runs on many at once.
        for k in range(n):
            at[k] = np.int32(min(BINS - 1.0, max(0.0, x[k] * cos + y[k] * sin + (REACH + 1.0))))
        bins[:] = 0.0
        for k in range(n):
            b = np.uint32(at[k])
            bins[b, 0] += 1.0
            bins[b, 1] += x[k]
            bins[b, 2] += y[k]
            bins[b, 3] += r[k]
        s, sx, sy, sr = 0.0, 0.0, 0.0, 0.0
        for j in range(BINS - 1, 0, -1):
            s += bins[j, 0]
            sx += bins[j, 1]
            sy += bins[j, 2]
            sr += bins[j, 3]
            if s < least or n - s < least:
                continue
            own = _own(inverse, s, sx, sy, s)
            if not (own > least_own and sr * sr >= best * own * (1.0 - TIE)):
                continue
            gain, d, its_gap = sr * sr / own, (j - REACH - 1) * BIN, -1.0
            if gain <= best * (1.0 + TIE):
                if gap < 0.0:
                    gap = _gap(x, y, n, _TURNS[best_turn, 0], _TURNS[best_turn, 1], offset)
                its_gap = _gap(x, y, n, _TURNS[turn, 0], _TURNS[turn, 1], d)
                if not its_gap > gap:
                    continue
            best, best_turn, offset, gap = gain, turn, d, its_gap
    return best, math.pi * best_turn / AZIMUTHS, offset


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _near(x, y, work, n, angle, offset):  # type: ignore[no-untyped-def]
    """Points on the face, or over which refining may move the line, into the last rows of `work`. Returns their number,
    and for those surely above: how many, and sums of x, y and of the heights in the first row."""
    cos, sin = math.cos(angle), math.sin(angle)
    near, s, sx, sy, sr = 0, 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        across, along = x[k] * cos + y[k] * sin, y[k] * cos - x[k] * sin
        reach = 0.5 * WIDTHS[-1] + MOVED + TURNED * abs(along) + 0.5 * TURNED**2 * abs(across)
        # Written whether or not it counts: the next one that does takes its place.
        work[1, near], work[2, near], work[3, near] = x[k], y[k], work[0, k]
        above = 1.0 if across - offset > reach else 0.0
        near += 1 if abs(across - offset) <= reach else 0
        s += above
        sx += above * x[k]
        sy += above * y[k]
        sr += above * work[0, k]
    return near, (s, sx, sy, sr)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _refined(work, near, sure, angle, offset, width, inverse, least_own):  # type: ignore[no-untyped-def]
    """Height, what it explains, sum of squares of its own, azimuth and offset of the best step near one. Both senses
    are tried before either is taken, so that a cloud and its mirror image give the same."""
    height, best, own, gap = _gain(
        work, near, sure, math.cos(angle), math.sin(angle), offset, width, inverse, least_own
    )
    turn_by, move_by = 0.5 * math.pi / AZIMUTHS, 0.5 * BIN
    for _ in range(ROUNDS):
        for moves in range(2):
            from_angle, from_offset = angle, offset
            for sense in range(2):
                sign = 1.0 - 2.0 * sense
                phi = from_angle if moves else from_angle + sign * turn_by
                d = from_offset + sign * move_by if moves else from_offset
                h, g, o, b = _gain(work, near, sure, math.cos(phi), math.sin(phi), d, width, inverse, least_own)
                if g > best * (1.0 + TIE) or (g >= best * (1.0 - TIE) and b > gap):
                    height, best, own, gap, angle, offset = h, g, o, b, phi, d
        turn_by, move_by = 0.5 * turn_by, 0.5 * move_by
    return height, best, own, angle, offset


@njit(cache=KEPT, nogil=True, error_model="numpy")
def fit_step(x, y, z, n, work, at, bins, least, out):  # type: ignore[no-untyped-def]
    """The step that explains the points best. x, y, z: at least `n` points, m, x and y from the middle of the window.

    work: (WORK, n), at: (n,) of 32-bit integers, bins: (BINS, 4), for scratch. least: points that each side beyond the
    ramp must have. out: `FIGURES`, NaN where nothing can be told: too few points, on one side only, or along one line.
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
    inverse = _inverse3(m[0], m[1], m[2], m[3], m[4], m[5])
    if math.isnan(inverse[0]):
        return
    a = inverse[0] * tz + inverse[1] * tx + inverse[2] * ty
    b = inverse[1] * tz + inverse[3] * tx + inverse[4] * ty
    c = inverse[2] * tz + inverse[4] * tx + inverse[5] * ty
    plain = 0.0
    for k in range(n):
        work[0, k] = z[k] - z0 - a - b * x[k] - c * y[k]
        plain += work[0, k] * work[0, k]
    least_own = 1e-6 * n
    start, start_angle, start_offset = _coarse(x, y, work[0], n, at, bins, least, inverse, least_own)
    if not start > 0.0:
        return
    near, sure = _near(x, y, work, n, start_angle, start_offset)
    height, best, own, width, angle, offset = 0.0, 0.0, 0.0, -1.0, 0.0, 0.0
    for kind in range(len(WIDTHS)):
        h, g, o, phi, d = _refined(work, near, sure, start_angle, start_offset, WIDTHS[kind], inverse, least_own)
        if g > best * (1.0 + TIE):
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
