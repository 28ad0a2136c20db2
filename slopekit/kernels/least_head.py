"""The least energy with which a machine gets from a cell to a hazard: the energy line, cell by cell.

A mass that moves loses a height of `mu` for each metre of plan length, whatever the slope (Coulomb friction; Heim 1932,
Koerner 1976). So the height E of the energy line that a cell needs is that of its easiest neighbour plus the loss on the
way to it, and never below the ground: E(c) = max(z(c), min over n of E(n) + mu d(c, n)). The least solution is unique.
It is found from the hazards outward in rising order of E (Dial 1969: buckets no wider than the least loss of a step, so
that each cell is final when its turn comes).
"""

import math
from dataclasses import dataclass

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


@dataclass(frozen=True)
class Front:
    """What spread from some hazards; (rows, cols) each."""

    energy: Array
    """Height E of the energy line that gets there, m; inf where nobody asked."""
    length: Array
    """Length of the shortest way that does with so little, m on the map; inf where nobody asked."""


def padded(values: Array, fill: float) -> Array:
    """Values (rows, cols) with a rim that no move leaves."""
    return np.pad(values, PAD, constant_values=fill)


def spread(
    ground: Array, loss: Array, source: Array, dx: float, dy: float, start: tuple[int, int, int, int], top: float
) -> Front:
    """The energy line from hazards back to the cells from which a machine gets to them.

    ground: heights (m) `padded` with NaN; NaN is missing too, and no way crosses it. loss: loss of height by plan
    length of each cell, over 0, `padded` with any such value. source: (rows, cols) without rim, height of the energy
    line on hazard cells, inf elsewhere; -inf on a hazard without elevation. dx, dy: cell sides, m. start: first row,
    end of rows, first column, end of columns of the cells that are asked about. top: the highest energy (m) that any of
    them has.

    Cells from which no start cell could be one of those with that energy are left out: what is found is exact on the
    start cells where the energy is at most `top`; elsewhere it is exact or too high.
    """
    energy, length = padded(source, np.inf), np.full(ground.shape, np.inf)
    inside = (slice(PAD, -PAD), slice(PAD, -PAD))
    lowest = min(float(np.nanmin(ground, initial=math.inf)), float(source[np.isfinite(source)].min(initial=math.inf)))
    if not lowest < top:
        return Front(np.full(source.shape, np.inf), length[inside])
    scale = scale_of(dx, dy)
    least = float(loss.min()) * scale
    width = max(_NARROWEST, least * min(dx, dy))
    links = np.full((2, energy.size), _OUT, np.int32)
    heads = np.full(int((top - lowest) / width) + 2, -1, np.int32)
    box = start[0] + PAD, start[1] - 1 + PAD, start[2] + PAD, start[3] - 1 + PAD
    _spread(
        ground.ravel(), loss.ravel(), energy.ravel(), length.ravel(), ground.shape[1],
        *_steps(ground.shape[1], dx, dy, scale), links, heads, lowest, width, top, least, dx, dy, box,
    )  # fmt: skip
    return Front(energy[inside], length[inside])


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
def _spread(z, mu, e, length, stride, offsets, halves, links, heads, lowest, width, top, least, dx, dy, box):  # type: ignore[no-untyped-def]
    for c in range(e.size):
        if e[c] <= top:
            length[c] = 0.0
            _put(c, e[c], lowest, width, links, heads)
    for bucket in range(heads.size):
        while heads[bucket] >= 0:
            c = heads[bucket]
            _take(c, bucket, links, heads)
            for k in range(halves.size):
                n = c + offsets[k, 0]
                to = max(e[c] + (mu[c] + mu[n]) * halves[k], z[n])
                if to > e[n]:
                    continue
                first, second = z[c + offsets[k, 1]], z[c + offsets[k, 2]]
                # Nothing crosses missing ground.
                if z[n] != z[n] or first != first or second != second:
                    continue
                to, far = max(to, first, second), length[c] + 2.0 * halves[k]
                # As easy a way counts if it is shorter.
                if to > e[n] or (to == e[n] and far >= length[n]):
                    continue
                row, col = n // stride, n % stride
                down = max(0, box[0] - row, row - box[1]) * dy
                right = max(0, box[2] - col, col - box[3]) * dx
                if to > top - least * math.sqrt(down * down + right * right):
                    continue
                length[n] = far
                if to == e[n]:
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
