"""Closed level sets of a noisy surface, and which of them lie level inside a bank."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Millimetres = NDArray[np.int32]
Marks = NDArray[np.uint8]

MISSING = np.int32(np.iinfo(np.int32).max)
NEAR, BODY, CUT = np.uint8(1), np.uint8(2), np.uint8(4)
"""Bits of a cell: up to a bank's height above a body; in a body; in what the border cuts."""
_RINGS = 2  # beside the border: the median of the outer ring lacks cells, and the inner ring meets the outer one
_DONE = -1


class LevelRule(NamedTuple):
    """What makes a level set a body. Heights in millimetres, areas in square metres."""

    least_area: float
    piece_area: float
    """Least area of what the border cuts."""
    step: int
    """From one level to the next."""
    levels: int
    """How many levels are looked at, from the lowest cell up."""
    bank: int
    """Levels that the ground must rise above the body, all around."""
    bank_grade: float
    """Least grade of the bank, a mean along the shore."""
    piece_grade: float
    """The same for what the border cuts."""
    depth: float
    """Greatest mean depth of the ground below the level."""
    roughness: float
    """Greatest standard deviation of the ground about its best plane."""
    tilt: float
    """Fall of the best plane across the body that counts as level whatever the noise."""
    tilt_ratio: float
    """The same in standard deviations about the plane."""
    seen: float
    """Least part of the outline that is no side of a void."""


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _middle(a, b, c):  # type: ignore[no-untyped-def]
    return max(min(a, b), min(max(a, b), c))


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _median(z, out, low, mid, high):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    some = np.empty(9, np.int32)
    for i in range(1, rows - 1):
        for j in range(cols):
            a, b, c = z[i - 1, j], z[i, j], z[i + 1, j]
            low[j] = min(min(a, b), c)
            high[j] = max(max(a, b), c)
            mid[j] = _middle(a, b, c)
        for j in range(1, cols - 1):
            a = max(max(low[j - 1], low[j]), low[j + 1])
            b = _middle(mid[j - 1], mid[j], mid[j + 1])
            c = min(min(high[j - 1], high[j]), high[j + 1])
            out[i, j] = _middle(a, b, c)
        for j in range(1, cols - 1):
            if high[j - 1] != MISSING and high[j] != MISSING and high[j + 1] != MISSING:
                continue
            n = 0
            for ii in range(i - 1, i + 2):
                for jj in range(j - 1, j + 2):
                    if z[ii, jj] != MISSING:
                        some[n] = z[ii, jj]
                        n += 1
            out[i, j] = MISSING if z[i, j] == MISSING else np.sort(some[:n])[(n - 1) // 2]


def median(z: Millimetres) -> Millimetres:
    """Median of the 3 x 3 cells around each cell that are not MISSING (of two middle values the lower).

    It keeps a pond's edge where it is, unlike a mean. z: (rows, cols), its outermost ring MISSING.
    """
    out = np.full(z.shape, MISSING)
    _median(z, out, *(np.empty(z.shape[1], np.int32) for _ in range(3)))
    return out


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _level(n, sums, depth, rule):  # type: ignore[no-untyped-def]
    """Whether the ground lies little below the level, is smooth, and has no gradient that its noise does not explain.

    n: cells; sums: of x, y, h, xx, xy, yy, xh, yh, hh over them; depth: level above the height that h counts from.
    """
    x, y, h = sums[0] / n, sums[1] / n, sums[2] / n
    if depth - h > rule.depth:
        return False
    xx, xy, yy = sums[3] / n - x * x, sums[4] / n - x * y, sums[5] / n - y * y
    xh, yh, hh = sums[6] / n - x * h, sums[7] / n - y * h, sums[8] / n - h * h
    turn = xx * yy - xy * xy
    if turn <= 1e-9 * xx * yy:
        return False  # a line of cells has no best plane
    plane = (xh * xh * yy + yh * yh * xx - 2.0 * xh * yh * xy) / turn
    rough = max(0.0, hh - plane)
    if rough > rule.roughness**2:
        return False
    # An even fall over a width has the variance width^2 / 12.
    return 12.0 * plane <= max(rule.tilt**2, rule.tilt_ratio**2 * rough)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _choose(count, seen, shore, bare, sums, last, cut, cell, rule):  # type: ignore[no-untyped-def]
    """The highest level that makes a body, and the highest that makes one of what the border cuts; -1 for none."""
    body, piece = -1, -1
    rise = 0.001 * rule.bank * rule.step
    for k in range(last - rule.bank + 1):
        above = k + rule.bank
        whole = above < cut
        if count[k] * cell <= (rule.least_area if whole else rule.piece_area):
            continue
        if shore[k] < rule.seen * (shore[k] + bare[k]):
            continue
        # Cell edges along a shore are 4 / pi times as long as the shore, a mean over all directions. Noise makes the
        # lower shore ragged where it is no bank.
        length = 0.25 * np.pi * min(shore[k], shore[above])
        grade = rule.bank_grade if whole else rule.piece_grade
        if rise * length >= grade * cell * (count[above] - count[k]) and _level(seen[k], sums[k], k * rule.step, rule):
            if whole:
                body = k
            else:
                piece = k
    return body, piece


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _bodies(surface, ground, dx, dy, rule, mark, state, link, cells):  # type: ignore[no-untyped-def]
    """Grow from every lowest cell, level by level, until lower ground is found. state, link, cells: one a cell.

    The cells still to come lie in one list for each millimetre of height, so that no heap is needed.
    """
    rows, cols = surface.shape
    sf, gf, mf = surface.ravel(), ground.ravel(), mark.ravel()
    top = rule.step * (rule.levels - 1)
    head = np.full(top + 1, -1, np.int32)
    count, seen = np.zeros(rule.levels, np.int64), np.zeros(rule.levels, np.int64)
    shore, bare = np.zeros(rule.levels), np.zeros(rule.levels)
    sums, now = np.zeros((rule.levels, 9)), np.zeros(9)
    steps = (-1, 1, -cols, cols)
    turn = 0
    for seed in range(cols, sf.size - cols):
        low = sf[seed]
        if gf[seed] == MISSING or state[seed] == _DONE:
            continue
        if sf[seed - 1] < low or sf[seed + 1] < low or sf[seed - cols] < low or sf[seed + cols] < low:
            continue
        turn += 2
        listed, held = turn, turn + 1
        head[0], link[seed], state[seed] = seed, -1, listed
        n, m, even, highest, last = 0, 0, 0, 0, -1
        edge, side = 0.0, 0.0
        now[:] = 0.0
        cut = rule.levels  # first level that meets the border
        lower = False
        for h in range(top + 1):
            while head[h] >= 0 and not lower:
                c = head[h]
                head[h] = link[c]
                state[c] = held
                cells[n] = c
                n += 1
                i, j = c // cols, c % cols
                ring = min(i, j, rows - 1 - i, cols - 1 - j)
                if ring <= _RINGS:
                    cut = min(cut, (h + rule.step - 1) // rule.step)
                known = gf[c] != MISSING
                if known and ring > 1:  # the outer ring's median takes a bank for water here and there
                    m += 1
                    x, y, v = (j - seed % cols) * dx, (i - seed // cols) * dy, float(gf[c] - low)
                    now[0] += x
                    now[1] += y
                    now[2] += v
                    now[3] += x * x
                    now[4] += x * y
                    now[5] += y * y
                    now[6] += x * v
                    now[7] += y * v
                    now[8] += v * v
                for k in range(4):
                    d = c + steps[k]
                    length = (dy if k < 2 else dx) * (-1.0 if state[d] == held else 1.0)
                    if known and gf[d] != MISSING:  # nobody knows whether a void's side is a shore
                        edge += length
                    elif known != (gf[d] != MISSING) and ring > 1:
                        side += length
                    if sf[d] == MISSING or state[d] == listed or state[d] == held:
                        continue
                    if sf[d] < low:
                        lower = True
                    elif sf[d] - low <= top:
                        rise = max(sf[d] - low, h)
                        highest = max(highest, rise)
                        state[d] = listed
                        link[d] = head[rise]
                        head[rise] = d
            if h == 0:
                even = n
            if lower:
                break
            if h % rule.step == 0:
                last = h // rule.step
                count[last], seen[last], shore[last], bare[last] = n, m, edge, side
                sums[last] = now
        head[: highest + 1] = -1
        for a in range(even):
            state[cells[a]] = _DONE  # the same would grow from any of these
        body, piece = _choose(count, seen, shore, bare, sums, last, cut, dx * dy, rule)
        if body < 0 and piece < 0:
            continue
        for a in range(count[max(body, piece) + rule.bank]):
            mf[cells[a]] |= NEAR
            if body >= 0 and a < count[body]:
                mf[cells[a]] |= BODY
            if piece >= 0 and a < count[piece]:
                mf[cells[a]] |= BODY | CUT


def level_bodies(surface: Millimetres, ground: Millimetres, dx: float, dy: float, rule: LevelRule) -> Marks:
    """Mark the level sets of `surface` that `rule` takes for water, as wide as each can be.

    surface: (rows, cols), the smoothed ground that decides which cells lie below a level; ground: as surveyed. Both
    with an outermost ring of MISSING. A void of `ground` holds in `surface` the level at which it joins, or MISSING.
    dx, dy: cell sides, m. Returns bits (rows, cols), see NEAR, BODY, CUT. A body that the border does not cut is the
    same in any larger array.
    """
    mark = np.zeros(ground.shape, np.uint8)
    _bodies(surface, ground, dx, dy, rule, mark, *(np.zeros(ground.size, np.int32) for _ in range(3)))
    return mark
