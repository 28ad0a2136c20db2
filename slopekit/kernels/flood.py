"""Filling of depressions with a tiny gradient, and the tree of spill levels that decides which depressions stay.

The filled surface is the one of priority-flood with epsilon (Barnes, Lehman and Mulla 2014): the least w with
w(c) >= z(c) and, off the seeds, w(c) > w(n) for some neighbour n by at least one step of float64. It is built here
without a heap: cells come in sorted order, and raised cells go through a first-in first-out queue.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Index = NDArray[np.int32]
Mask = NDArray[np.uint8]

SEED = np.uint8(1)
"""Water, a drop, the lowest cell of a depression that stays, a cell beside missing data."""
CUT = np.uint8(2)
"""A cell on the window's border, where the ground goes on unseen."""
SPILL_ROUNDING_M = 1e-6
"""More than the steps of float64 that filling adds, less than any survey tells apart."""


@njit(cache=KEPT, nogil=True)
def fill(z: Array, seed: Mask, order: Index) -> tuple[Array, Mask, Index]:
    """Fill every depression that holds no seed.

    z: (rows, cols), NaN where missing. seed: (rows, cols), 0, SEED or CUT; every border cell and every cell beside
    missing data must be one. order: flat indices of the cells, ascending in z.
    Returns the filled surface; 1 where a cell was raised because its outlet is a CUT cell; and, for every cell that
    drains to a CUT cell, the flat index of that cell, -1 for others.
    """
    cols = z.shape[1]
    level = z.copy()
    w = level.ravel()
    zf = z.ravel()
    sf = seed.ravel()
    state = np.zeros(w.size, np.uint8)  # 0 not reached, 1 reached, 2 in the queue
    cut = np.zeros(z.shape, np.uint8)
    cf = cut.ravel()
    outlet = np.full(z.shape, np.int32(-1))
    of = outlet.ravel()
    queue = np.empty(order.size, np.int32)
    for c in order:
        if sf[c] != 0:
            state[c] = 1
            if sf[c] == CUT:
                of[c] = c
    steps = (-cols - 1, -cols, -cols + 1, -1, 1, cols - 1, cols, cols + 1)
    rows = z.shape[0]
    at = 0
    done = 0
    expanded = 0
    while at < order.size:
        here = zf[order[at]]
        # All cells of one elevation enter together, so that the answer does not depend on how ties were sorted.
        while at < order.size and zf[order[at]] == here:
            c = order[at]
            if state[c] == 1:
                state[c] = 2
                queue[done] = c
                done += 1
            at += 1
        while expanded < done:
            c = queue[expanded]
            expanded += 1
            i, j = c // cols, c % cols
            inside = 0 < i < rows - 1 and 0 < j < cols - 1
            for k in range(8):
                if not inside:
                    ii = i + (-1 if k < 3 else (1 if k > 4 else 0))
                    jj = j + (-1 if k in (0, 3, 5) else (1 if k in (2, 4, 7) else 0))
                    if ii < 0 or ii >= rows or jj < 0 or jj >= cols:
                        continue
                n = c + steps[k]
                if state[n] != 0 or zf[n] != zf[n]:
                    continue
                of[n] = of[c]
                if zf[n] <= w[c]:
                    w[n] = np.nextafter(w[c], np.inf)
                    state[n] = 2
                    queue[done] = n
                    done += 1
                    if sf[c] == CUT or cf[c] != 0:
                        cf[n] = 1
                else:
                    state[n] = 1
    return level, cut, outlet


@njit(cache=KEPT, nogil=True)
def _root(parent: Index, c: int) -> int:
    while parent[c] != c:
        parent[c] = parent[parent[c]]
        c = parent[c]
    return c


@njit(cache=KEPT, nogil=True)
def deep_bottoms(z: Array, filled: Array, order: Index, least_depth: float, least_cells: float) -> tuple[Mask, Array]:
    """Lowest cells of the depressions that stay: deeper than `least_depth` (m) and larger than `least_cells`.

    Depressions are merged from the lowest cell up (a tree of spill levels). One is looked at when it first spills into
    a neighbour; a depression that already holds one that stays adds none of its own. All cells that tie for the
    lowest are marked. Depth is spill level less lowest cell, size the number of cells below the spill level.

    Returns nonzero at the marked cells; and at those the spill level (m) up to which no cell that is joined to them is
    lower: the floor of a hollow does not reach past the sill to a deeper one.
    """
    rows, cols = z.shape
    zf, wf = z.ravel(), filled.ravel()
    mark = np.zeros(z.shape, np.uint8)
    mf = mark.ravel()
    sill = np.full(z.shape, np.nan)
    rim = sill.ravel()
    n = zf.size
    parent = np.full(n, -1, np.int32)
    count = np.zeros(n, np.int32)
    level_count = np.zeros(n, np.int32)  # cells at the level reached last: not yet below a spill at that level
    level = np.empty(n)
    lowest = np.full(n, -1, np.int32)  # head of the chain of lowest cells
    lowest_end = np.full(n, -1, np.int32)
    chain = np.full(n, -1, np.int32)
    settled = np.zeros(n, np.uint8)
    met = np.full(n, -np.inf)  # level at which a depression last met another: at that level it is looked at once
    near = np.empty(8, np.int32)
    for c in order:
        if wf[c] <= zf[c]:
            continue
        i, j = c // cols, c % cols
        roots = 0
        for di in range(-1, 2):
            for dj in range(-1, 2):
                ii, jj = i + di, j + dj
                if (di == 0 and dj == 0) or ii < 0 or ii >= rows or jj < 0 or jj >= cols:
                    continue
                m = ii * cols + jj
                if parent[m] < 0:
                    continue
                r = _root(parent, m)
                known = False
                for k in range(roots):
                    known = known or near[k] == r
                if not known:
                    near[roots] = r
                    roots += 1
        parent[c] = c
        if roots == 0:
            count[c] = 1
            level[c] = zf[c]
            level_count[c] = 1
            lowest[c] = c
            lowest_end[c] = c
            continue
        if roots > 1:
            for k in range(roots):
                if met[near[k]] != zf[c]:
                    _settle(
                        near[k],
                        zf[c],
                        zf,
                        count,
                        level,
                        level_count,
                        lowest,
                        chain,
                        settled,
                        mf,
                        least_depth,
                        least_cells,
                    )
        r = near[0]
        for k in range(1, roots):
            s = near[k]
            if level[r] != zf[c]:
                level[r] = zf[c]
                level_count[r] = 0
            if level[s] == zf[c]:
                level_count[r] += level_count[s]
            zr, zs = zf[lowest[r]], zf[lowest[s]]
            if zs < zr:
                _bound(lowest[r], zf[c], chain, mf, rim)
                lowest[r] = lowest[s]
                lowest_end[r] = lowest_end[s]
            elif zs > zr:
                _bound(lowest[s], zf[c], chain, mf, rim)
            else:
                chain[lowest_end[r]] = lowest[s]
                lowest_end[r] = lowest_end[s]
            count[r] += count[s]
            settled[r] |= settled[s]
            parent[s] = r
        if roots > 1:
            met[r] = zf[c]
        parent[c] = r
        count[r] += 1
        if level[r] != zf[c]:
            level[r] = zf[c]
            level_count[r] = 0
        level_count[r] += 1
        if zf[c] == zf[lowest[r]]:
            chain[lowest_end[r]] = c
            lowest_end[r] = c
    for c in order:
        if parent[c] == c:
            if wf[c] - met[c] > SPILL_ROUNDING_M:
                _settle(c, wf[c], zf, count, level, level_count, lowest, chain, settled, mf, least_depth, least_cells)
            _bound(lowest[c], wf[c], chain, mf, rim)
    return mark, sill


@njit(cache=KEPT, nogil=True)
def _bound(c, spill, chain, mark, rim):  # type: ignore[no-untyped-def]
    """Write the level at which a hollow meets a deeper one, or spills, at its lowest cells if they are marked."""
    if mark[c] != 0:
        while c >= 0:
            rim[c] = spill
            c = chain[c]


@njit(cache=KEPT, nogil=True)
def _settle(r, spill, zf, count, level, level_count, lowest, chain, settled, mark, least_depth, least_cells):  # type: ignore[no-untyped-def]
    """Mark the lowest cells of the depression with root `r` if it is deep and large below `spill`."""
    cells = count[r] - (level_count[r] if spill - level[r] <= SPILL_ROUNDING_M else 0)
    if settled[r] == 0 and spill - zf[lowest[r]] > least_depth and cells > least_cells:
        settled[r] = 1
        c = lowest[r]
        while c >= 0:
            mark[c] = SEED
            c = chain[c]
