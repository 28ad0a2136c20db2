"""The least energy with which a machine gets from a cell to a hazard: the energy line, cell by cell.

A mass that moves loses a height of `mu` for each metre of plan length, whatever the slope (Coulomb friction; Heim 1932,
Koerner 1976). So the height E of the energy line that a cell needs is that of its easiest neighbour plus the loss on
the way to it, and never below the ground: E(c) = max(z(c), min over n of E(n) + mu d(c, n)). The solution is unique. It
is found from the hazards outward in rising order of E (Dial 1969: in buckets no wider than the least loss of a step, so
that each cell is final when its turn comes).
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]

MOVES = (
    (0, 1), (-1, 2), (-1, 1), (-2, 1), (-1, 0), (-2, -1), (-1, -1), (-1, -2),
    (0, -1), (1, -2), (1, -1), (2, -1), (1, 0), (2, 1), (1, 1), (1, 2),
)  # fmt: skip
"""Row and column steps to the sixteen neighbours, in order round the cell, east first."""
ENERGY, GROUND, LOSS, LENGTH = range(4)
PAD = 2
"""Cells round the window that no move leaves."""
LONGEST = 1.009
"""Ways along the moves are scaled to be at most this much too long: what is too long permits."""
_NARROWEST = 1e-3  # m, of a bucket
_SAME = 1e-9  # m: what two orders of adding up may differ by
_ALIKE = 1e-6  # m: ways that differ by less are told apart by what comes next
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


def spread(
    z: Array, loss: Array, source: Array, dx: float, dy: float, start: tuple[int, int, int, int], top: float
) -> Front:
    """The energy line from hazards back to the cells from which a machine gets to them.

    z: (rows, cols), m; NaN is missing, and no way crosses it. loss: loss of height by plan length on each cell, over 0.
    source: height of the energy line on hazard cells, inf elsewhere; -inf on a hazard without elevation. dx, dy: cell
    sides, m. start: first row, end of rows, first column, end of columns of the cells that are asked about. top: the
    highest energy (m) that any of them has.

    Cells from which no start cell could be one of those with that energy are left out: what is found is exact on the
    start cells where the energy is at most `top`; elsewhere it is exact or too high.
    """
    rows, cols = z.shape
    lowest = min(float(np.nanmin(z, initial=math.inf)), float(source[np.isfinite(source)].min(initial=math.inf)))
    if not lowest <= top:
        return Front(np.full(z.shape, np.inf), np.full(z.shape, np.inf))
    # What is asked of a cell lies side by side in memory.
    cell = np.empty((rows + 2 * PAD, cols + 2 * PAD, 4))
    cell[...] = np.inf, np.inf, 1.0, np.inf
    inner = cell[PAD:-PAD, PAD:-PAD]
    inner[..., ENERGY] = source
    np.copyto(inner[..., GROUND], z, where=~np.isnan(z))
    inner[..., LOSS] = loss
    scale = scale_of(dx, dy)
    least = float(loss.min()) * scale
    width = max(_NARROWEST, least * min(dx, dy))
    links = np.full((2, cell.shape[0] * cell.shape[1]), _OUT, np.int32)
    # Hazards without elevation come before all others.
    lowest -= width
    heads = np.full(int((top - lowest) / width) + 2, -1, np.int32)
    box = start[0] + PAD, start[1] - 1 + PAD, start[2] + PAD, start[3] - 1 + PAD
    top += _SAME
    _spread(
        cell.reshape(-1, 4), cell.shape[1], *_steps(cell.shape[1], dx, dy, scale), links, heads, lowest, width, top,
        least, dx, dy, box,
    )  # fmt: skip
    return Front(inner[..., ENERGY].copy(), inner[..., LENGTH].copy())


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


@njit(cache=KEPT, nogil=True)
def _spread(cell, stride, offsets, halves, links, heads, lowest, width, top, least, dx, dy, box):  # type: ignore[no-untyped-def]
    for c in range(cell.shape[0]):
        if cell[c, ENERGY] <= top:
            cell[c, LENGTH] = 0.0
            _put(c, cell[c, ENERGY], lowest, width, links, heads)
    for bucket in range(heads.size):
        while heads[bucket] >= 0:
            c = heads[bucket]
            _take(c, bucket, links, heads)
            energy, loss, length = cell[c, ENERGY], cell[c, LOSS], cell[c, LENGTH]
            for k in range(halves.size):
                n = c + offsets[k, 0]
                to, old = energy + (loss + cell[n, LOSS]) * halves[k], cell[n, ENERGY]
                if to > old:
                    continue
                far = length + 2.0 * halves[k]
                to = max(to, cell[n, GROUND], cell[c + offsets[k, 1], GROUND], cell[c + offsets[k, 2], GROUND])
                # Missing ground stands infinitely high. As easy a way counts if it is shorter.
                if to > old or to == np.inf or (to == old and far >= cell[n, LENGTH]):
                    continue
                row, col = n // stride, n % stride
                down = max(0, box[0] - row, row - box[1]) * dy
                right = max(0, box[2] - col, col - box[3]) * dx
                if to > top - least * math.sqrt(down * down + right * right):
                    continue
                cell[n, LENGTH] = far
                if to == old:
                    continue
                if links[0, n] != _OUT:
                    _take(n, _bucket(old, lowest, width, heads), links, heads)
                cell[n, ENERGY] = to
                _put(n, to, lowest, width, links, heads)


@njit(cache=KEPT, nogil=True)
def _bucket(energy, lowest, width, heads):  # type: ignore[no-untyped-def]
    return min(heads.size - 1, int((max(energy, lowest) - lowest) / width))


@njit(cache=KEPT, nogil=True)
def _put(c, energy, lowest, width, links, heads):  # type: ignore[no-untyped-def]
    bucket = _bucket(energy, lowest, width, heads)
    after = heads[bucket]
    links[0, c], links[1, c] = -1, after
    if after >= 0:
        links[0, after] = c
    heads[bucket] = c


@njit(cache=KEPT, nogil=True)
def _take(c, bucket, links, heads):  # type: ignore[no-untyped-def]
    before, after = links[0, c], links[1, c]
    if before >= 0:
        links[1, before] = after
    else:
        heads[bucket] = after
    if after >= 0:
        links[0, after] = before
    links[0, c] = _OUT


def least_way(front: Front, z: Array, loss: Array, start: tuple[int, int], dx: float, dy: float) -> NDArray[np.int64]:
    """(n, 2): row and column of the cells of the way with which a machine gets from `start` to the hazard of a front
    with the least head, both ends included; of equally easy ones the shortest. Empty where none was found.

    z, loss: (rows, cols), as the front was spread on. dx, dy: cell sides, m.
    """
    if not math.isfinite(front.length[start]):
        return np.empty((0, 2), np.int64)
    over = [crossed(*move) or (move, move) for move in MOVES]
    steps = np.array([(*move, *first, *second) for move, (first, second) in zip(MOVES, over, strict=True)])
    return _follow(front.energy, front.length, z, loss, steps, scale_of(dx, dy), *start, dx, dy)


@njit(cache=KEPT, nogil=True)
def _follow(energy, length, z, loss, steps, scale, row, col, dx, dy):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    way = [(row, col)]
    while length[row, col] > 0.0:
        best = (np.inf, np.inf, np.inf)
        to = (row, col)
        for k in range(steps.shape[0]):
            i, j = row + steps[k, 0], col + steps[k, 1]
            if not (0 <= i < rows and 0 <= j < cols) or not length[i, j] < length[row, col]:
                continue
            first, second = z[row + steps[k, 2], col + steps[k, 3]], z[row + steps[k, 4], col + steps[k, 5]]
            if k % 2 == 1 and (first != first or second != second):
                continue
            step = scale * math.sqrt((steps[k, 0] * dy) ** 2 + (steps[k, 1] * dx) ** 2)
            asked = max(energy[i, j] + 0.5 * (loss[row, col] + loss[i, j]) * step, z[row, col])
            if k % 2 == 1:
                asked = max(asked, first, second)
            if asked > energy[row, col] + _SAME:
                continue
            # Off by how much, then the easier and the lower one: values alone choose, not the order of moves, nor what
            # rounding leaves of them.
            off = abs(length[i, j] + step - length[row, col])
            found = (round(off / _ALIKE), round(energy[i, j] / _ALIKE), round(z[i, j] / _ALIKE))
            if found < best:
                best, to = found, (i, j)
        if to == (row, col):
            break
        row, col = to
        way.append(to)
    return np.array(way)
