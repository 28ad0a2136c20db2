"""Which lowest cells of a grid's depressions lie deep, and the floors round them."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT
from slopekit.kernels.depressions import Depressions

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Index = NDArray[np.int32]


class Lowest(NamedTuple):
    """For each depression of a tree the widest one with the same lowest elevation, which decides for both: it is as
    deep or deeper, as large or larger, and its floor holds the other's."""

    widest: Index
    deep: Bool
    """Whether the widest is deep and large."""
    leaf: Bool
    """Whether it holds no other."""


def lowest_of(tree: Depressions, least_depth: float, least_cells: float) -> Lowest:
    """What decides whether a depression lies deep: more than `least_depth` (m) from its lowest cell to the level where
    it spills or meets another, and more than `least_cells` cells below that level."""
    widest = _widest(tree.parent, tree.pit_z)
    deep = (tree.spill - tree.pit_z > least_depth) & (tree.cells > least_cells)
    return Lowest(widest, deep[widest], tree.first == np.arange(tree.first.size))


@njit(cache=KEPT, nogil=True)
def _widest(parent, pit_z):  # type: ignore[no-untyped-def]
    out = np.empty(parent.size, np.int32)
    for k in range(parent.size - 1, -1, -1):
        p = parent[k]
        out[k] = out[p] if p >= 0 and pit_z[p] == pit_z[k] else k
    return out


def from_border(z: Array, tree: Depressions, lowest: Lowest, border: Index, depth: float) -> tuple[Index, Index]:
    """Depressions that hold a `border` cell (flat index) no more than `depth` (m) above their lowest: the number of the
    widest one with that lowest, and the cell, pair by pair. Left out are those that the floor of a wider one holds."""

    def pairs(out: Index) -> int:
        return int(_pairs(z, tree.inner, tree.parent, tree.pit_z, tree.spill, lowest.widest, border, depth, out))

    out = np.empty((2, pairs(np.empty((2, 0), np.int32))), np.int32)
    pairs(out)
    return out[0], out[1]


@njit(cache=KEPT, nogil=True)
def _pairs(z, inner, parent, pit_z, spill, widest, border, depth, out):  # type: ignore[no-untyped-def]
    zf, inside = z.ravel(), inner.ravel()
    n = 0
    for b in border:
        k = inside[b]
        # Farther out the lowest only gets lower.
        while k >= 0 and zf[b] <= pit_z[k] + depth:
            w = widest[k]
            k = parent[w]
            if k < 0 or spill[w] > pit_z[k] + depth:
                if n < out.shape[1]:
                    out[0, n] = w
                    out[1, n] = b
                n += 1
    return n


@njit(cache=KEPT, nogil=True)
def floors(z: Array, start: Index, hollow: Index, low: Array, spill: Array, depth: float) -> Bool:
    """The floors of hollows, in union: cells joined (8 ways) to a starting one over such as lie no more than `depth`
    (m) above the hollow's lowest and below its spill level.

    z: (rows, cols). start: flat indices of starting cells. hollow: the number of each one's hollow, ascending. low,
    spill: m, of each hollow.
    """
    rows, cols = z.shape
    zf = z.ravel()
    out = np.zeros((rows, cols), np.bool_)
    mask = out.ravel()
    # Floors of nested hollows overlap, so each goes its own way.
    seen = np.full(z.size, -1, np.int32)
    queue = np.empty(z.size if start.size else 0, np.int32)
    for n in range(start.size):
        k = hollow[n]
        if seen[start[n]] == k:
            continue
        top, below = low[k] + depth, spill[k]
        seen[start[n]] = k
        queue[0] = start[n]
        head, tail = 0, 1
        while head < tail:
            c = queue[head]
            head += 1
            mask[c] = True
            for ii in range(max(c // cols - 1, 0), min(c // cols + 2, rows)):
                for jj in range(max(c % cols - 1, 0), min(c % cols + 2, cols)):
                    m = ii * cols + jj
                    if seen[m] != k and zf[m] <= top and zf[m] < below:
                        seen[m] = k
                        queue[tail] = m
                        tail += 1
    return out
