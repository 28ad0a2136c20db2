"""Filling of depressions with a tiny gradient.

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
"""The lowest cell of a depression that stays, a cell beside missing data."""
CUT = np.uint8(2)
"""A cell on the window's border, where the ground goes on unseen."""


@njit(cache=KEPT, nogil=True)
def fill(z: Array, seed: Mask, order: Index) -> tuple[Array, Mask]:
    """Fill every depression that holds no seed.

    z: (rows, cols), NaN where missing. seed: (rows, cols), 0, SEED or CUT; every border cell and every cell beside
    missing data must be one. order: flat indices of the cells, ascending in z.
    Returns the filled surface, and 1 where a cell was raised because its outlet is a CUT cell.
    """
    cols = z.shape[1]
    level = z.copy()
    w = level.ravel()
    zf = z.ravel()
    sf = seed.ravel()
    state = np.zeros(w.size, np.uint8)  # 0 not reached, 1 reached, 2 in the queue
    cut = np.zeros(z.shape, np.uint8)
    cf = cut.ravel()
    queue = np.empty(order.size, np.int32)
    for c in order:
        if sf[c] != 0:
            state[c] = 1
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
                if zf[n] <= w[c]:
                    w[n] = np.nextafter(w[c], np.inf)
                    state[n] = 2
                    queue[done] = n
                    done += 1
                    if sf[c] == CUT or cf[c] != 0:
                        cf[n] = 1
                else:
                    state[n] = 1
    return level, cut
