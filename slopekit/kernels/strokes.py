"""Runs of cells between junctions: short side branches off, the rest joined to lines that go straight on."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Ints = NDArray[np.int64]

SPUR = 2.0
"""A side branch shorter than this many half-widths of the strip where it starts is the strip's own corner or bulge."""
BRIDGE = 1.5
"""Junctions nearer to each other than this many half-widths are one crossing."""
STRAIGHT = math.cos(math.radians(60.0))
"""Cosine of the greatest bend at which a line is followed through a junction of three ways or more."""


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _length(cells, bounds, at, k, centres, cols, dx, dy):  # type: ignore[no-untyped-def]
    """Length (m) of run k with the way to the junctions at its ends."""
    length = 0.0
    for side in range(2):
        if at[k, side] > 0:
            c = cells[bounds[k]] if side == 0 else cells[bounds[k + 1] - 1]
            length += math.hypot((c // cols - centres[at[k, side], 0]) * dy, (c % cols - centres[at[k, side], 1]) * dx)
    row, col = float(cells[bounds[k]] // cols), float(cells[bounds[k]] % cols)
    for m in range(bounds[k], bounds[k + 1]):
        i, j = cells[m] // cols, cells[m] % cols
        length += math.hypot((i - row) * dy, (j - col) * dx)
        row, col = float(i), float(j)
    return length


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _merged(cells, bounds, at, centres, deep, cols, dx, dy):  # type: ignore[no-untyped-def]
    """Makes one junction of two that lie nearer to each other than the strip is half wide; -3 marks the run between.

    Two banks that cross make two junctions side by side, where each would end at the other.
    """
    root = np.arange(deep.size)
    for k in range(at.shape[0]):
        one, two = at[k, 0], at[k, 1]
        if one > 0 and two > 0 and one != two:
            length = _length(cells, bounds, at, k, centres, cols, dx, dy)
            if length <= BRIDGE * max(deep[one], deep[two]):
                while root[one] != one:
                    one = root[one]
                while root[two] != two:
                    two = root[two]
                root[max(one, two)] = min(one, two)
                at[k, :] = -3
    share = np.zeros(deep.size)
    total = np.zeros_like(centres)
    for n in range(1, deep.size):
        top = n
        while root[top] != top:
            top = root[top]
        root[n] = top
        share[top] += 1.0
        total[top] += centres[n]
        deep[top] = max(deep[top], deep[n])
    for n in range(1, deep.size):
        if root[n] == n:
            centres[n] = total[n] / share[n]
    for k in range(at.shape[0]):
        for side in range(2):
            if at[k, side] > 0:
                at[k, side] = root[at[k, side]]
        # A loop within the crossing itself, such as a single cell that touches two of its cells.
        round_trip = _length(cells, bounds, at, k, centres, cols, dx, dy) if at[k, 0] == at[k, 1] else 0.0
        if at[k, 0] > 0 and at[k, 0] == at[k, 1] and round_trip <= 2.0 * SPUR * deep[at[k, 0]]:
            at[k, :] = -3


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _kept(cells, bounds, at, centres, deep, cols, dx, dy):  # type: ignore[no-untyped-def]
    kept = np.ones(at.shape[0], np.bool_)
    for k in range(at.shape[0]):
        loose = int(at[k, 0] == -1) + int(at[k, 1] == -1)
        if at[k, 0] == -3:
            kept[k] = False
        elif loose == 1:
            kept[k] = _length(cells, bounds, at, k, centres, cols, dx, dy) > SPUR * deep[max(at[k, 0], at[k, 1])]
    return kept


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _leaving(cells, bounds, k, side, centre, reach, cols, dx, dy):  # type: ignore[no-untyped-def]
    """Direction (m, right and down) from a junction to where run k has left the strip's crossing."""
    size = bounds[k + 1] - bounds[k]
    x, y, far = 0.0, 0.0, 1.0
    for m in range(size):
        c = cells[bounds[k] + m] if side == 0 else cells[bounds[k + 1] - 1 - m]
        x, y = (c % cols - centre[1]) * dx, (c // cols - centre[0]) * dy
        far = math.hypot(x, y)
        if far >= reach:
            break
    far = max(far, 1e-12)
    return x / far, y / far


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _continued(cells, bounds, at, kept, centres, deep, cols, dx, dy):  # type: ignore[no-untyped-def]
    """For each run and side the end (2 * run + side) that it goes on into, -1 for none."""
    runs = at.shape[0]
    onward = np.full(2 * runs, -1, np.int64)
    first = np.full(deep.size, -1, np.int64)
    following = np.full(2 * runs, -1, np.int64)
    for end in range(2 * runs - 1, -1, -1):
        number = at[end // 2, end % 2]
        if kept[end // 2] and number > 0:
            following[end] = first[number]
            first[number] = end
    ends = np.empty(2 * runs, np.int64)
    ways = np.empty((2 * runs, 2))
    for number in range(1, deep.size):
        n = 0
        end = first[number]
        while end >= 0:
            x, y = _leaving(
                cells,
                bounds,
                end // 2,
                end % 2,
                centres[number],
                max(1.5 * deep[number], 4.0 * max(dx, dy)),
                cols,
                dx,
                dy,
            )
            ends[n] = end
            ways[n, 0], ways[n, 1] = x, y
            n += 1
            end = following[end]
        meeting = n
        while n >= 2:
            best, one, two = -2.0, 0, 1
            for a in range(n):
                for b in range(a + 1, n):
                    straight = -(ways[a, 0] * ways[b, 0] + ways[a, 1] * ways[b, 1])
                    if straight > best + 1e-12:
                        best, one, two = straight, a, b
            if best < STRAIGHT and meeting > 2:
                break
            onward[ends[one]], onward[ends[two]] = ends[two], ends[one]
            left = 0
            for a in range(n):
                if a != one and a != two:
                    ends[left] = ends[a]
                    ways[left, 0], ways[left, 1] = ways[a, 0], ways[a, 1]
                    left += 1
            n = left
    return onward


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _joined(cells, bounds, at, kept, onward, centres, cols, points, starts, closed, free):  # type: ignore[no-untyped-def]
    runs = at.shape[0]
    todo = kept.copy()
    meeting = np.zeros(centres.shape[0], np.int64)
    for end in range(2 * runs):
        if kept[end // 2] and at[end // 2, end % 2] > 0:
            meeting[at[end // 2, end % 2]] += 1
    n, count = 0, 0
    # Loose ends first, so that a line starts at its end; what is left then is closed.
    for turn in range(2):
        for start in range(2 * runs):
            if not todo[start // 2] or (turn == 0 and (onward[start] >= 0 or at[start // 2, 0] == -2)):
                continue
            starts[count] = n
            closed[count] = turn == 1
            number = at[start // 2, start % 2]
            free[count, 0] = number < 0 or meeting[number] == 1
            end = start
            while end >= 0 and todo[end // 2]:
                k, side = end // 2, end % 2
                todo[k] = False
                if at[k, side] > 0:
                    points[n] = centres[at[k, side]]
                    n += 1
                for m in range(bounds[k + 1] - bounds[k]):
                    c = cells[bounds[k] + m] if side == 0 else cells[bounds[k + 1] - 1 - m]
                    points[n, 0], points[n, 1] = c // cols, c % cols
                    n += 1
                end = onward[2 * k + 1 - side]
                number = at[k, 1 - side]
                free[count, 1] = number < 0 or meeting[number] == 1
                if end < 0 and at[k, 1 - side] > 0:
                    points[n] = centres[at[k, 1 - side]]
                    n += 1
            count += 1
    starts[count] = n
    return count


def joined_lines(
    cells: Ints, bounds: Ints, at: Ints, centres: Array, deep: Array, cols: int, dx: float, dy: float
) -> tuple[Array, Ints, Bool, Bool]:
    """Lines from runs of cells: (points, starts, closed, free).

    Run k holds the flat indices cells[bounds[k]:bounds[k + 1]]. at: (runs, 2) number from 1 on of the junction at its
    ends, -1 loose, -2 closed. centres: (junctions + 1, 2) row and column. deep: (junctions + 1,) half-width there, m.

    points: (n, 2) row and column; starts: (lines + 1,) first point of each line, and n; closed: (lines,); free: (lines,
    2) whether nothing else meets the line at its first and its last point.

    At a junction the two runs that make the straightest line are one, then the next two: the good-continuation rule of
    Thomson and Richardson (1999). It is local, so a far part of a network does not change what a line here is.
    """
    at, centres, deep = at.copy(), centres.copy(), deep.copy()
    _merged(cells, bounds, at, centres, deep, cols, dx, dy)
    kept = _kept(cells, bounds, at, centres, deep, cols, dx, dy)
    onward = _continued(cells, bounds, at, kept, centres, deep, cols, dx, dy)
    points = np.empty((len(cells) + 2 * len(at), 2))
    starts, closed = np.empty(len(at) + 1, np.int64), np.empty(len(at), np.bool_)
    free = np.ones((len(at), 2), np.bool_)
    count = _joined(cells, bounds, at, kept, onward, centres, cols, points, starts, closed, free)
    return points[: starts[count]], starts[: count + 1], closed[:count], free[:count]
