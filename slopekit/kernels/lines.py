"""Many lines at once: points (n, 2) row and column, line k from starts[k] to starts[k + 1]."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Ints = NDArray[np.int64]

SIGMA = 3.0
"""Points of a line over which it is smoothed: takes the steps of the cells out of it."""
_PAD = 12


@njit(cache=KEPT, nogil=True, error_model="numpy")
def smoothed(points: Array, starts: Ints, closed: Bool) -> Array:
    """Each line smoothed along itself by a Gaussian; the ends of an open one stay where they are."""
    out = np.empty_like(points)
    weight = np.empty(_PAD + 1)
    for k in range(_PAD + 1):
        weight[k] = math.exp(-0.5 * (k / SIGMA) ** 2)
    weight /= weight[0] + 2.0 * weight[1:].sum()
    for line in range(starts.size - 1):
        a, b = starts[line], starts[line + 1]
        for m in range(a, b):
            for axis in range(2):
                total = weight[0] * points[m, axis]
                for k in range(1, _PAD + 1):
                    before, after = m - k, m + k
                    if closed[line]:
                        before, after = a + (before - a) % (b - a), a + (after - a) % (b - a)
                        total += weight[k] * (points[before, axis] + points[after, axis])
                        continue
                    # Turned about each end: a straight line stays straight and as long as it was.
                    low = (
                        points[before, axis]
                        if before >= a
                        else 2.0 * points[a, axis] - points[min(2 * a - before, b - 1), axis]
                    )
                    high = (
                        points[after, axis]
                        if after < b
                        else 2.0 * points[b - 1, axis] - points[max(2 * (b - 1) - after, a), axis]
                    )
                    total += weight[k] * (low + high)
                out[m, axis] = total
    return out


@njit(cache=KEPT, nogil=True, error_model="numpy")
def left_of(points: Array, starts: Ints, closed: Bool, dx: float, dy: float) -> Array:
    """One metre to the left of its line at each point, in rows and columns (n, 2)."""
    out = np.zeros_like(points)
    for line in range(starts.size - 1):
        a, b = starts[line], starts[line + 1]
        for m in range(a, b):
            before, after = max(m - 1, a), min(m + 1, b - 1)
            if closed[line]:
                before, after = a + (m - 1 - a) % (b - a), a + (m + 1 - a) % (b - a)
            down = (points[after, 0] - points[before, 0]) * dy
            right = (points[after, 1] - points[before, 1]) * dx
            length = max(math.hypot(down, right), 1e-12)
            # Rows run downward, so the left of (down, right) is (-right, down).
            out[m, 0], out[m, 1] = -right / length / dy, down / length / dx
    return out


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _cut_back(points, half, end, way, size, dx, dy):  # type: ignore[no-untyped-def]
    """Points from an end that lie in the corner of the strip: nearer to the end than 1.5 half-widths."""
    length = 0.0
    for m in range(size - 1):
        c = end - way * m
        if length >= 1.5 * half[c]:
            return m if m < size - 4 else 0
        length += math.hypot((points[c - way, 0] - points[c, 0]) * dy, (points[c - way, 1] - points[c, 1]) * dx)
    return 0


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _pace(points, end, way, size, half, dx, dy):  # type: ignore[no-untyped-def]
    """Step (rows, columns) straight on beyond an end, one cell along the nearer axis, and how many of them."""
    back = min(size - 1, max(4, math.ceil(1.5 * half / min(dx, dy))))
    down = points[end, 0] - points[end - way * back, 0]
    right = points[end, 1] - points[end - way * back, 1]
    most = max(abs(down), abs(right))
    if most == 0.0:
        return 0.0, 0.0, 0
    down, right = down / most, right / most
    metres = math.hypot(down * dy, right * dx)
    return down, right, math.ceil((3.5 * half + 4.0 * max(dx, dy)) / metres)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def lengthened(points: Array, half: Array, starts: Ints, free: Bool, dx: float, dy: float) -> tuple[Array, Array, Ints]:
    """Lines cut back at their `free` ends (lines, 2) and carried straight on from there: points, half, starts.

    The middle line of a strip runs into a corner of its end, or stops short of it by half a width (`half`, m). Cut back
    by 1.5 half-widths, then carried on by 3.5 and four cells.
    """
    lines = starts.size - 1
    # For each line first and last point kept, then steps and their number at both ends.
    span = np.empty((lines, 2), np.int64)
    pace = np.zeros((lines, 2, 2))
    more = np.zeros((lines, 2), np.int64)
    for line in range(lines):
        a, b = starts[line], starts[line + 1]
        first = _cut_back(points, half, a, -1, b - a, dx, dy) if free[line, 0] else 0
        last = _cut_back(points, half, b - 1, 1, b - a, dx, dy) if free[line, 1] else 0
        if first + last > b - a - 4:
            first = last = 0
        span[line, 0], span[line, 1] = a + first, b - 1 - last
        for end in range(2):
            if free[line, end]:
                at, way = span[line, end], 2 * end - 1
                down, right, count = _pace(points, at, way, span[line, 1] - span[line, 0] + 1, half[at], dx, dy)
                pace[line, end, 0], pace[line, end, 1], more[line, end] = down, right, count
    size = more.sum() + (span[:, 1] - span[:, 0] + 1).sum()
    out, wide, begin = np.empty((size, 2)), np.empty(size), np.empty(lines + 1, np.int64)
    n = 0
    for line in range(lines):
        begin[line] = n
        first, last = span[line, 0], span[line, 1]
        for k in range(-more[line, 0], last - first + 1 + more[line, 1]):
            at = min(max(first + k, first), last)
            beyond = max(-k, 0) if k < 0 else max(first + k - last, 0)
            end = 0 if k < 0 else 1
            out[n, 0] = points[at, 0] + beyond * pace[line, end, 0]
            out[n, 1] = points[at, 1] + beyond * pace[line, end, 1]
            wide[n] = half[at]
            n += 1
    begin[lines] = n
    return out, wide, begin


@njit(cache=KEPT, nogil=True, error_model="numpy")
def steadied(values: Array, starts: Ints, closed: Bool, reach: int) -> Array:
    """Running median (n,) along each line over `reach` points to both sides, NaN left out.

    Where `reach` of them or fewer are known the nearest median of an open line is carried on, 0 if there is none: the
    last of a line's figures are the worst.
    """
    out = np.zeros(values.size)
    window = np.empty(2 * reach + 1)
    for line in range(starts.size - 1):
        a, b = starts[line], starts[line + 1]
        first, last = -1, -1
        # Of a short line all that is known.
        known = 0
        for m in range(a, b):
            known += int(values[m] == values[m])
        least = min(reach, known - 1) if known else 0
        for m in range(a, b):
            count = 0
            for k in range(m - reach, m + reach + 1):
                at = k
                if closed[line]:
                    at = a + (k - a) % (b - a)
                elif k < a or k >= b:
                    continue
                value = values[at]
                if value == value:
                    # Kept in order as it is filled.
                    spot = count
                    while spot > 0 and window[spot - 1] > value:
                        window[spot] = window[spot - 1]
                        spot -= 1
                    window[spot] = value
                    count += 1
            if count > least:
                out[m] = 0.5 * (window[count // 2] + window[(count - 1) // 2])
                if last >= 0 and m > last + 1 and not closed[line]:
                    out[last + 1 : (last + m + 1) // 2] = out[last]
                    out[(last + m) // 2 + 1 : m] = out[m]
                    if (last + m) % 2 == 0:
                        out[(last + m) // 2] = 0.5 * (out[last] + out[m])
                last = m
                if first < 0:
                    first = m
        if first >= 0 and not closed[line]:
            out[a:first] = out[first]
            out[last + 1 : b] = out[last]
    return out


@njit(cache=KEPT, nogil=True, error_model="numpy")
def halved(points: Array, half: Array, starts: Ints, closed: Bool) -> tuple[Array, Array, Ints]:
    """The same lines with a point more between each two: points, half, starts."""
    lines = starts.size - 1
    out, wide = np.empty((2 * points.shape[0], 2)), np.empty(2 * points.shape[0])
    begin = np.zeros(lines + 1, np.int64)
    n = 0
    for line in range(lines):
        a, b = starts[line], starts[line + 1]
        begin[line] = n
        for m in range(a, b):
            out[n] = points[m]
            wide[n] = half[m]
            n += 1
            if m < b - 1 or closed[line]:
                following = m + 1 if m < b - 1 else a
                out[n] = 0.5 * (points[m] + points[following])
                wide[n] = 0.5 * (half[m] + half[following])
                n += 1
    begin[lines] = n
    return out[:n], wide[:n], begin
