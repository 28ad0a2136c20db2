"""Steps that a survey smeared over several cells, found on profiles down the fall line."""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]

# A length that is a whole number of cells must stay one after a division.
_WHOLE = 1e-6
# Part of the way from the ground's fall to the step's from which a cell still belongs to the step: the survey gives the
# ends of an even slope half a cell.
_CLEARLY = 0.2


@dataclass(frozen=True)
class StepRule:
    """What counts as a step on a profile down the fall line. Lengths and heights in metres, across the step."""

    least_height: float
    """Least height: the fall over the step, less the fall that the ground's own slope has over its width."""
    widest: float
    """Greatest width of a step on the grid; less than `bank`."""
    reach: float
    """Length of ground above and below the step that shows its own slope; one cell at least."""
    bank: float
    """Width of the narrowest uniform bank that must not count."""
    least_grade: float
    """Least fall per metre over the step."""
    ratio: float
    """How many times sharper than the middle of a bank of `bank` metres the step must be."""
    notable: float
    """Fall per metre from which a cell may be the middle of a step."""
    partial: float
    """Share of `least_height` and `least_grade` that is enough near a whole step."""
    smear: float
    """Greatest width of a step, measured by its steepest cells. What is wider is a bank."""
    near_ratio: float
    """What counts as `ratio` there."""
    near_smear: float
    """What counts as `smear` there, m."""
    near: float
    """How far from a whole step that holds; one cell at least."""


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _along(z, i, j, di, dj, side):  # type: ignore[no-untyped-def]
    """Fall per metre along a row or column, over what is there of the two cells beside (i, j); 0 without either."""
    rows, cols = z.shape
    before = z[i - di, j - dj] if i >= di and j >= dj else np.nan
    behind = z[i + di, j + dj] if i + di < rows and j + dj < cols else np.nan
    if not math.isnan(before + behind):
        return (before - behind) / (2.0 * side)
    if not math.isnan(before):
        return (before - z[i, j]) / side
    if not math.isnan(behind):
        return (z[i, j] - behind) / side
    return 0.0


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _down(z, i, j, dx, dy):  # type: ignore[no-untyped-def]
    """Fall per metre to the right and downward (Horn 1981). Beside missing cells the cell's own row and column tell."""
    rows, cols = z.shape
    if 0 < i < rows - 1 and 0 < j < cols - 1:
        a, b, c = z[i - 1, j - 1], z[i - 1, j], z[i - 1, j + 1]
        d, f = z[i, j - 1], z[i, j + 1]
        g, h, k = z[i + 1, j - 1], z[i + 1, j], z[i + 1, j + 1]
        p = (((a + g) + 2.0 * d) - ((c + k) + 2.0 * f)) / (8.0 * dx)
        q = (((a + c) + 2.0 * b) - ((g + k) + 2.0 * h)) / (8.0 * dy)
        if not math.isnan(p + q):
            return p, q
    return _along(z, i, j, 0, 1, dx), _along(z, i, j, 1, 0, dy)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _arm(line, end, outward, most):  # type: ignore[no-untyped-def]
    """Rise per cell outward of the least-squares line through cell `end` of a profile and up to `most` cells beyond it,
    until one is missing; NaN where none lies beyond."""
    n = 0
    while n < most and not math.isnan(line[end + outward * (n + 1)]):
        n += 1
    if n == 0:
        return np.nan
    moment = 0.0
    for k in range(n + 1):
        moment += (k - 0.5 * n) * line[end + outward * k]
    return moment * 12.0 / (n * (n + 1.0) * (n + 2.0))


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _width(line, top, foot, up, down, arm):  # type: ignore[no-untyped-def]
    """Cells that the whole slope round a step would span if all of it were as steep as its steepest two cells, both
    taken against ground that falls by `up` a cell above it and by `down` below. Up to `arm` cells beyond the step are
    part of it: as long as each falls clearly more than that ground does."""
    own = (line[top] - line[foot]) / (foot - top)
    high, low = top - arm, foot + arm
    while top > high and line[top - 1] - line[top] >= up + _CLEARLY * (own - up):
        top -= 1
    while foot < low and line[foot] - line[foot + 1] >= down + _CLEARLY * (own - down):
        foot += 1
    if foot - top < 2:
        return 1.0
    ground = 0.5 * (up + down)
    steepest = 0.0
    for k in range(top, foot - 1):
        steepest = max(steepest, 0.5 * (line[k] - line[k + 2]))
    return (line[top] - line[foot] - (foot - top) * ground) / (steepest - ground)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _height(line, top, n, h, arm, rule):  # type: ignore[no-untyped-def]
    """Height (m) of the step from cell `top` of a profile to the n-th cell on, cells h m apart; 0 where it is none."""
    least_height, _, _, bank, least_grade, ratio, smear = rule
    fall = line[top] - line[top + n]
    own = fall / (n * h)
    if not (fall >= least_height and own >= least_grade):
        return 0.0
    for k in range(top + 1, top + n):
        if math.isnan(line[k]):
            return 0.0
    # The middle n cells of the narrowest bank are this many times steeper than the ground that the arms see.
    steepest = own * h / (ratio * max(1.0, 2.0 * arm * h / (bank - n * h)))
    up = _arm(line, top, -1, arm)
    if not up <= steepest:
        return 0.0
    down = -_arm(line, top + n, 1, arm)
    if not down <= steepest:
        return 0.0
    # Ground that rises towards the edge or from the foot adds no height: noise would make steps of it.
    up, down = max(0.0, up), max(0.0, down)
    if _width(line, top, top + n, up, down, arm) * h > smear:
        return 0.0
    return fall - 0.5 * n * (up + down)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _search(z, i, j, di, dj, h, rule, whole, line, fall, above, full):  # type: ignore[no-untyped-def]
    """Write the steps with their middle at cell (i, j) to `fall` and `above`. The profile's next cell downhill is
    (i + di, j + dj), h m on across the fall line."""
    least_height, widest, reach = rule[:3]
    rows, cols = z.shape
    most, arm = int(widest / h + _WHOLE), max(1, int(reach / h + _WHOLE))
    centre = most // 2 + 1 + arm
    for k in range(-centre, centre + 1):
        ii, jj = i + k * di, j + k * dj
        line[centre + k] = z[ii, jj] if 0 <= ii < rows and 0 <= jj < cols else np.nan
    for n in range(1, most + 1):
        for lean in range(1 + n % 2):
            top = centre - n // 2 - lean
            height = _height(line, top, n, h, arm, rule)
            if height < least_height:
                continue
            foot = top + n
            is_whole = _height(line, top, n, h, arm, whole) >= whole[0]
            # Cells at the ends that fall at less than half the step's grade are ground above and below it.
            gentle = 0.5 * (line[top] - line[foot]) / n
            while line[top] - line[top + 1] < gentle:
                top += 1
            while line[foot - 1] - line[foot] < gentle:
                foot -= 1
            for k in range(top, foot + 1):
                ii, jj = i + (k - centre) * di, j + (k - centre) * dj
                fall[ii, jj] = np.fmax(fall[ii, jj], line[k] - line[foot])
                above[ii, jj] = np.fmax(above[ii, jj], line[top] - line[k])
                full[ii, jj] |= is_whole


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _scan(z, dx, dy, notable, rule, whole, line, fall, above, full):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    least = 4.0 * notable * notable
    rx, ry = 1.0 / (dx * dx), 1.0 / (dy * dy)
    for i in range(rows):
        for j in range(cols):
            if 0 < i < rows - 1 and 0 < j < cols - 1:
                p, q = z[i, j + 1] - z[i, j - 1], z[i + 1, j] - z[i - 1, j]
                if p * p * rx + q * q * ry < least:
                    continue
            if math.isnan(z[i, j]):
                continue
            p, q = _down(z, i, j, dx, dy)
            grade = math.sqrt(p * p + q * q)
            if grade < notable:
                continue
            if abs(p) >= abs(q):
                h = dx * (abs(p) / grade)
                _search(z, i, j, 0, 1 if p > 0.0 else -1, h, rule, whole, line, fall, above, full)
            if abs(q) >= abs(p):
                h = dy * (abs(q) / grade)
                _search(z, i, j, 1 if q > 0.0 else -1, 0, h, rule, whole, line, fall, above, full)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _keep_near(full, high, wide, beside, near, fall, above):  # type: ignore[no-untyped-def]
    """Forget steps that have no whole step within `high` rows and `wide` columns."""
    rows, cols = fall.shape
    for i in range(rows):
        for j in range(cols):
            if full[i, j]:
                beside[i, max(0, j - wide) : j + wide + 1] = True
    gap = np.empty(cols, np.int64)  # rows since the last cell beside a whole step
    for turn in range(2):
        gap[:] = high + 1
        for n in range(rows):
            i = n if turn == 0 else rows - 1 - n
            for j in range(cols):
                gap[j] = 0 if beside[i, j] else gap[j] + 1
                near[i, j] |= gap[j] <= high
    for i in range(rows):
        for j in range(cols):
            if not near[i, j]:
                fall[i, j] = above[i, j] = np.nan


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _join(z, i, j, di, dj, fall, above, more_fall, more_above):  # type: ignore[no-untyped-def]
    """Take in the higher of the cells beside the corner of (i, j) and (i + di, j + dj), both if they are level."""
    ends = fall[i, j] > 0.0 and fall[i + di, j + dj] > 0.0
    if not ends or fall[i, j + dj] > 0.0 or fall[i + di, j] > 0.0:
        return
    most, least = max(fall[i, j], fall[i + di, j + dj]), min(above[i, j], above[i + di, j + dj])
    one, other = z[i, j + dj], z[i + di, j]
    if one >= other:
        more_fall[i, j + dj] = np.fmax(more_fall[i, j + dj], most)
        more_above[i, j + dj] = np.fmin(more_above[i, j + dj], least)
    if other >= one:
        more_fall[i + di, j] = np.fmax(more_fall[i + di, j], most)
        more_above[i + di, j] = np.fmin(more_above[i + di, j], least)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _close_corners(z, fall, above, more_fall, more_above):  # type: ignore[no-untyped-def]
    """Cells of the edge or face that meet at a corner only would let a way slip through between them."""
    rows, cols = z.shape
    for i in range(rows - 1):
        for j in range(cols - 1):
            if not (fall[i, j] > 0.0 or fall[i, j + 1] > 0.0):
                continue
            _join(z, i, j, 1, 1, fall, above, more_fall, more_above)
            _join(z, i, j + 1, 1, -1, fall, above, more_fall, more_above)
    for i in range(rows):
        for j in range(cols):
            if more_fall[i, j] > 0.0:
                fall[i, j], above[i, j] = more_fall[i, j], more_above[i, j]


def smeared_steps(z: Array, dx: float, dy: float, rule: StepRule) -> tuple[Array, Array]:
    """Steps sharper than the ground above and below them. z: (rows, cols), m, NaN where missing; dx, dy: m.

    Every notable cell may be the middle of a step. Its profile follows the row or column nearest to the fall line, with
    distances taken across the fall line; a cell exactly between the two is asked both ways. A step is a run of cells no
    wider than `widest`. Lines fitted to the cells above and below it give the ground's own slope; the step counts by
    its height over that, and by its grade against the steeper of the two. A missing cell ends the ground above or
    below. A step without ground on both sides, or with a missing cell in it, does not count. Near a step that meets
    every bound, ones that meet `partial` of them count too.

    Returns (fall, above), both (rows, cols): for cells of a step the fall to its foot and the rise to its top (m), each
    the greatest of all steps that the cell belongs to; NaN elsewhere. A cell with fall > 0 is on the edge or face, with
    fall = 0 it is the foot; one with fall > 0 and above = 0 is the edge.
    """
    fall, above = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    full = np.zeros(z.shape, bool)
    # The cells of a row lie closest, across the fall line, where it runs diagonally.
    closest = min(dx, dy) * math.sqrt(0.5)
    line = np.empty(2 * int((rule.widest + rule.reach) / closest) + 9)
    whole, part = (
        (share * rule.least_height, rule.widest, rule.reach, rule.bank, share * rule.least_grade, ratio, smear)
        for share, ratio, smear in (
            (1.0, rule.ratio, rule.smear),
            (rule.partial, rule.near_ratio, rule.near_smear),
        )
    )
    _scan(z, dx, dy, rule.notable, part, whole, line, fall, above, full)
    if not full.any():
        return np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    high, wide = (max(1, int(rule.near / side + _WHOLE)) for side in (dy, dx))
    _keep_near(full, high, wide, np.zeros(z.shape, bool), np.zeros(z.shape, bool), fall, above)
    _close_corners(z, fall, above, np.full(z.shape, np.nan), np.full(z.shape, np.nan))
    return fall, above
