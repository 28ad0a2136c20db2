"""Cross-sections of a raised form: top, shoulders and toes on both sides of a crest line."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CENTRE, TOP_Z, LEFT_TOE, LEFT_Z, RIGHT_TOE, RIGHT_Z, LEFT_EDGE, RIGHT_EDGE, LEFT_GRADE, RIGHT_GRADE, HEIGHT = range(11)
"""Columns of a section: see `cross_sections`."""
_TINY = 1e-9


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _sample(z, row, col):  # type: ignore[no-untyped-def]
    """Bilinear between cell centres; NaN beside a missing cell and off the array."""
    rows, cols = z.shape
    i, j = math.floor(row), math.floor(col)
    u, v = row - i, col - j
    # On a row or column of centres the next one has no weight, so it may be missing.
    below, right = (i + 1 if u > _TINY else i), (j + 1 if v > _TINY else j)
    if i < 0 or j < 0 or below >= rows or right >= cols:
        return np.nan
    upper = z[i, j] + (z[i, right] - z[i, j]) * v
    lower = z[below, j] + (z[below, right] - z[below, j]) * v
    return upper + (lower - upper) * u


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _at(profile, k):  # type: ignore[no-untyped-def]
    low = min(math.floor(k), profile.size - 2)
    return profile[low] + (profile[low + 1] - profile[low]) * (k - low)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _toe(profile, top, way, far, bend):  # type: ignore[no-untyped-def]
    """Samples from the top to the toe on one side, 0 where there is none within `far` samples."""
    z0 = profile[top]
    lowest, at, last = z0, 0, 0
    for k in range(1, far + 1):
        c = top + way * k
        if c < 0 or c >= profile.size or profile[c] != profile[c]:
            break
        last = k
        if profile[c] < lowest - _TINY:
            lowest, at = profile[c], k
    if at == 0:
        return 0
    # The sample farthest below the chord to the lowest one: the same on level and on tilted ground.
    toe, most = at, 0.0
    fall = (lowest - z0) / at
    for k in range(1, at):
        below = z0 + fall * k - profile[top + way * k]
        if below > most + _TINY:
            toe, most = k, below
    chord = z0 + (profile[top + way * last] - z0) * toe / last
    # A long even flank has no toe: the ground must turn flatter beyond it.
    return toe if chord - profile[top + way * toe] >= bend else 0


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _shoulder(profile, top, way, toe):  # type: ignore[no-untyped-def]
    """Samples from the top to the edge of the crest: farthest above the chord from the top to the toe."""
    z0, fall = profile[top], (profile[top + way * toe] - profile[top]) / toe
    edge, most = 0, _TINY
    for k in range(1, toe):
        above = profile[top + way * k] - (z0 + fall * k)
        if above > most:
            edge, most = k, above
    return edge


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _fall(profile, a, b):  # type: ignore[no-untyped-def]
    """Fall a sample over the middle half of the face from sample a to b, so that rounded edges do not count."""
    quarter = 0.25 * (b - a)
    return (_at(profile, a + quarter) - _at(profile, b - quarter)) / (2.0 * abs(quarter))


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _kink(profile, top, way, edge, toe, fall):  # type: ignore[no-untyped-def]
    """Samples from the top to where the face, carried on, meets the ground beyond the toe, and z there.

    The grid rounds the toe off, so the sample at the toe lies above it. Only within two samples of that one.
    """
    near, far = top + way * (toe + 3), top + way * (toe + 6)
    z = profile[top + way * toe]
    if far < 0 or far >= profile.size or profile[far] != profile[far]:
        return float(toe), z
    beyond = (profile[near] - profile[far]) / 3.0
    half = 0.5 * (edge + toe)
    # Heights of both lines at the toe, then how far from it they cross.
    face = _at(profile, top + way * half) - fall * (toe - half)
    ground = profile[near] + 3.0 * beyond
    if fall <= beyond:
        return float(toe), z
    move = (face - ground) / (fall - beyond)
    if abs(move) > 2.0:
        return float(toe), z
    return toe + move, ground - beyond * move


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _measure(profile, top, far, step, width, bend, row):  # type: ignore[no-untyped-def]
    """Fill `row` from a profile; False where there are no two toes within `far` samples and `width` m."""
    left = _toe(profile, top, 1, far, bend)
    if left == 0:
        return False
    right = _toe(profile, top, -1, far, bend)
    if right == 0 or (left + right) * step > width * (1.0 + 1e-6):
        return False
    edge_l, edge_r = _shoulder(profile, top, 1, left), _shoulder(profile, top, -1, right)
    middle = top + 0.5 * (edge_l - edge_r)
    zero = 0.5 * (profile.size - 1)
    fall_l, fall_r = _fall(profile, top + edge_l, top + left), _fall(profile, top - edge_r, top - right)
    toe_l, row[LEFT_Z] = _kink(profile, top, 1, edge_l, left, fall_l)
    toe_r, row[RIGHT_Z] = _kink(profile, top, -1, edge_r, right, fall_r)
    row[CENTRE] = (middle - zero) * step
    row[TOP_Z] = _at(profile, middle)
    row[LEFT_TOE], row[RIGHT_TOE] = (top + toe_l - middle) * step, (middle - top + toe_r) * step
    row[LEFT_EDGE] = row[RIGHT_EDGE] = 0.5 * (edge_l + edge_r) * step
    row[LEFT_GRADE], row[RIGHT_GRADE] = fall_l / step, fall_r / step
    part = row[RIGHT_TOE] / (row[LEFT_TOE] + row[RIGHT_TOE])
    base = row[RIGHT_Z] + (row[LEFT_Z] - row[RIGHT_Z]) * part
    row[HEIGHT] = min(row[TOP_Z] - base, 2.0 * (row[TOP_Z] - max(row[LEFT_Z], row[RIGHT_Z])))
    return True


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _sections(z, points, left, search, step, width, least, out):  # type: ignore[no-untyped-def]
    longest = 0.0
    for n in range(points.shape[0]):
        longest = max(longest, search[n])
    room = np.empty(2 * math.ceil((width + longest) / step) + 1)
    for n in range(points.shape[0]):
        down, right = left[n, 0] * step, left[n, 1] * step
        half = math.ceil((width + search[n]) / step)
        profile = room[: 2 * half + 1]
        for k in range(-half, half + 1):
            profile[half + k] = _sample(z, points[n, 0] + down * k, points[n, 1] + right * k)
        top = half
        if profile[top] != profile[top]:
            continue
        for k in range(1, int(search[n] / step) + 1):
            for c in (half + k, half - k):
                if profile[c] > profile[top] + _TINY:
                    top = c
        # The widest view first; a nearer one where something else, such as a scarp, lies beyond the toe.
        for part in (1.0, 0.5, 0.25):
            far = int(part * width / step + 0.5)
            if _measure(profile, top, far, step, width, 0.5 * least, out[n]) and out[n, HEIGHT] >= least - 1e-6:
                break
            out[n] = np.nan


def cross_sections(
    z: Array, points: Array, left: Array, search: Array, step: float, width: float, least: float
) -> Array:
    """Measure the form across a line: (points, 11), NaN in the rows where no form stands out on both sides.

    z: (rows, cols) m. points: (n, 2) row and column. left: (n, 2) one metre to the left of the line, in rows and
    columns. search: (n,) how far to the side the top may lie, m. step: between samples, m. width: greatest distance
    between the toes, m. least: least height, m.

    A toe is the sample farthest below the chord from the top to the lowest ground of its side, a shoulder the one
    farthest above the chord from the top to the toe (the split of Douglas and Peucker 1973), both the same whatever the
    tilt. Columns: CENTRE m left of the point, midway between the shoulders, and TOP_Z there; toes m from the centre and
    their z; edges of the crest m from the centre; grades of the faces, middle half; HEIGHT the lesser of the height
    above the line between the toes and twice the height above the higher toe, so that what looks high only because the
    ground falls away on one side does not count.
    """
    out = np.full((points.shape[0], 11), np.nan)
    if points.shape[0]:
        _sections(z, points, left, search, step, width, least, out)
    return out


@njit(cache=KEPT, nogil=True, error_model="numpy")
def nearest_points(points: Array, radius: Array, dx: float, dy: float, best: Array, owner: NDArray[np.int32]) -> Ints:
    """Cells within `radius` (m, one a point) of a point and the point that lies nearest: (cells, 2) flat index, point.

    points: (n, 2) row and column. best (rows, cols) infinite and owner (rows, cols) are room to work in, given back as
    they came.
    """
    rows, cols = best.shape
    flat_best, flat_owner = best.ravel(), owner.ravel()
    found = np.empty(1024, np.int64)
    count = 0
    for n in range(points.shape[0]):
        row, col = points[n, 0], points[n, 1]
        for i in range(max(0, math.ceil(row - radius[n] / dy)), min(rows, math.floor(row + radius[n] / dy) + 1)):
            for j in range(max(0, math.ceil(col - radius[n] / dx)), min(cols, math.floor(col + radius[n] / dx) + 1)):
                away = ((i - row) * dy) ** 2 + ((j - col) * dx) ** 2
                c = i * cols + j
                if away > radius[n] * radius[n] or away >= flat_best[c]:
                    continue
                if flat_best[c] == np.inf:
                    if count == found.size:
                        more = np.empty(2 * found.size, np.int64)
                        more[:count] = found
                        found = more
                    found[count] = c
                    count += 1
                flat_best[c] = away
                flat_owner[c] = n
    out = np.empty((count, 2), np.int64)
    for k in range(count):
        out[k, 0], out[k, 1] = found[k], flat_owner[found[k]]
        flat_best[found[k]] = np.inf
    return out
