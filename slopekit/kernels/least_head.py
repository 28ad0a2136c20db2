"""The least energy with which a machine gets from a cell to a hazard: the energy line, cell by cell.

A mass that moves loses a height of `mu` for each metre of plan length, whatever the slope (Coulomb friction; Heim 1932,
Koerner 1976). So the height E of the energy line that a cell needs is that of its easiest neighbour plus the loss on the
way to it, and never below the ground: E(c) = max(z(c), min over n of E(n) + mu d(c, n)). The least solution is unique.
It is found from the hazards outward in rising order of E (Dial 1969: buckets no wider than the least loss of a step, so
that each cell is final when its turn comes).
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOVES = (
    (0, 1), (-1, 2), (-1, 1), (-2, 1), (-1, 0), (-2, -1), (-1, -1), (-1, -2),
    (0, -1), (1, -2), (1, -1), (2, -1), (1, 0), (2, 1), (1, 1), (1, 2),
)  # fmt: skip
"""Row and column steps to the sixteen neighbours, in order round the cell, east first."""
PAD = 2
"""Cells round the window that no move leaves."""
LONGEST = 1.009
"""Ways along the moves are scaled to be at most this much too long: what is too long permits."""
_NARROWEST = 1e-3  # m, of a bucket
_OUT = -2
"""Link of a cell that is in no bucket."""


def scale_of(dx: float, dy: float) -> float:
    """Factor of the moves' lengths on cells of dx by dy metres.

    A way along two neighbouring moves with the angle t between them is at most 1 / cos(t / 2) too long (arithmetic):
    2.75 % for sixteen moves on square cells, so that scaled ways there are 1.8 % too short to 0.9 % too long.
    """
    angles = np.sort([math.atan2(-di * dy, dj * dx) % math.tau for di, dj in MOVES])
    widest = np.diff(angles, append=angles[0] + math.tau).max()
    return LONGEST * math.cos(0.5 * float(widest))


def least_energy(
    z: Array, mu: Array, source: Array, dx: float, dy: float, start: tuple[int, int, int, int], top: float, loss: float
) -> Array:
    """Height E (m) of the energy line with which a machine gets from each cell to a source; inf where none was asked.

    z: (rows, cols), m, NaN where missing: no way crosses it. mu: loss of height by plan length on each cell, over 0
    and finite. source: height of the energy line on hazard cells, inf elsewhere; -inf on a hazard without elevation.
    dx, dy: cell sides, m. start: first row, end of rows, first column, end of columns of the cells that are asked about.
    top: the highest energy that any of them has. loss: the least `mu`. Cells from which no start can be reached with
    that energy are left out: E is exact on the start cells where it is at most `top`, and never too low elsewhere.
    """
    rows, cols = z.shape
    shape = rows + 2 * PAD, cols + 2 * PAD
    inside = slice(PAD, PAD + rows), slice(PAD, PAD + cols)
    ground, friction, e = np.full(shape, np.nan), np.ones(shape), np.full(shape, np.inf)
    ground[inside], friction[inside], e[inside] = z, mu, source
    lowest = min(float(np.nanmin(z, initial=math.inf)), float(e[np.isfinite(e)].min(initial=math.inf)))
    scale = scale_of(dx, dy)
    width = max(_NARROWEST, loss * scale * min(dx, dy))
    if not lowest < top:
        return e[inside]
    buckets = int((top - lowest) / width) + 2
    links = np.full((2, e.size), _OUT, np.int32)
    heads = np.full(buckets, -1, np.int32)
    row0, row1, col0, col1 = start
    box = (row0 + PAD, row1 - 1 + PAD, col0 + PAD, col1 - 1 + PAD)
    _spread(
        ground.ravel(), friction.ravel(), e.ravel(), shape[1], *_steps(shape[1], dx, dy, scale), links, heads,
        lowest, width, top, loss * scale, dx, dy, box,
    )  # fmt: skip
    return e[inside]


def _steps(stride: int, dx: float, dy: float, scale: float) -> tuple[NDArray[np.int64], Array]:
    """(16, 3): flat offset of each move and of the two cells that it crosses (its own end where it crosses none);
    (16,): half of its length."""
    offsets, halves = np.empty((len(MOVES), 3), np.int64), np.empty(len(MOVES))
    for k, (di, dj) in enumerate(MOVES):
        offsets[k] = di * stride + dj
        for n, (i, j) in enumerate(crossed(di, dj)):
            offsets[k, n + 1] = i * stride + j
        halves[k] = 0.5 * scale * math.hypot(di * dy, dj * dx)
    return offsets, halves


def crossed(di: int, dj: int) -> tuple[tuple[int, int], ...]:
    """The cells that a move crosses on its way, as steps from its beginning."""
    if abs(di) == 2:
        return (di // 2, 0), (di // 2, dj)
    if abs(dj) == 2:
        return (0, dj // 2), (di, dj // 2)
    return ()


@njit(cache=True, nogil=True)
def _spread(z, mu, e, stride, offsets, halves, links, heads, lowest, width, top, loss, dx, dy, box):  # type: ignore[no-untyped-def]
    for c in range(e.size):
        if e[c] <= top:
            _put(c, e[c], lowest, width, links, heads)
    for bucket in range(heads.size):
        while heads[bucket] >= 0:
            c = heads[bucket]
            _take(c, bucket, links, heads)
            for k in range(halves.size):
                n = c + offsets[k, 0]
                if not z[n] < e[n]:  # missing, or no way from it can be easier
                    continue
                to = max(e[c] + (mu[c] + mu[n]) * halves[k], z[n])
                if to >= e[n]:
                    continue
                first, second = z[c + offsets[k, 1]], z[c + offsets[k, 2]]
                if first != first or second != second:
                    continue
                to = max(to, first, second)
                row, col = n // stride, n % stride
                down = max(0, box[0] - row, row - box[1]) * dy
                right = max(0, box[2] - col, col - box[3]) * dx
                if to >= e[n] or to > top - loss * math.sqrt(down * down + right * right):
                    continue
                if links[0, n] != _OUT:
                    _take(n, _bucket(e[n], lowest, width, heads), links, heads)
                e[n] = to
                _put(n, to, lowest, width, links, heads)


@njit(cache=True, nogil=True)
def _bucket(energy, lowest, width, heads):  # type: ignore[no-untyped-def]
    return min(heads.size - 1, int((max(energy, lowest) - lowest) / width))


@njit(cache=True, nogil=True)
def _put(c, energy, lowest, width, links, heads):  # type: ignore[no-untyped-def]
    bucket = _bucket(energy, lowest, width, heads)
    after = heads[bucket]
    links[0, c], links[1, c] = -1, after
    if after >= 0:
        links[0, after] = c
    heads[bucket] = c


@njit(cache=True, nogil=True)
def _take(c, bucket, links, heads):  # type: ignore[no-untyped-def]
    before, after = links[0, c], links[1, c]
    if before >= 0:
        links[1, before] = after
    else:
        heads[bucket] = after
    if after >= 0:
        links[0, after] = before
    links[0, c] = _OUT
