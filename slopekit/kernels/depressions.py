"""The tree of a grid's depressions: which merge into which, and at what level they spill.

The idea is the depression hierarchy of Barnes, Callaghan and Wickert (2020, Earth Surface Dynamics 8, 431-445). Here
it is the tree of the connected sets (8 neighbours) of cells below a level: all that meet at one level become children
of one node, so that it hangs on elevations alone, however the grid lies.

Every cell flows to its lowest neighbour and so to a pit. Sets of cells can only meet at a cell whose lower neighbours
do not touch each other, and drain at a cell on the border or beside missing data: those are the only cells to sort.
"""

from functools import cache
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT
from slopekit.kernels.order import ascending
from slopekit.kernels.spill_tree import Nodes, merge

Array = NDArray[np.float64]
Index = NDArray[np.int32]

INSIDE, VOID, BORDER = 0, 1, 2
"""Where a depression spills: over a sill, at a cell beside missing data, at a cell on the border."""
_MISSING, _PIT = -1, -2
_DI = np.array([-1, -1, -1, 0, 0, 1, 1, 1])
_DJ = np.array([-1, 0, 1, -1, 1, -1, 0, 1])


class Depressions(NamedTuple):
    """Depressions, numbered from 0 so that those inside number k are `first[k]` to k.

    The numbers, and which cell stands for several that tie (`pit`, `spill_cell`), hang on how the grid lies; nothing
    else does, but for the rounding of `total`.
    """

    inner: Index
    """(rows, cols): the innermost depression that a cell lies in, below its spill level; -1 in none."""
    parent: Index
    """The depression that it becomes a part of when it is filled to its spill level; -1 where it drains then."""
    first: Index
    """Least number inside it: its own in a leaf, which holds no other."""
    pit: Index
    """Flat index of a lowest cell."""
    pit_z: Array
    spill: Array
    """Level at which it meets another one or drains. Cells at that level are not in it."""
    spill_cell: Index
    """Flat index of a cell at that level where it does so."""
    outlet: NDArray[np.uint8]
    """INSIDE, VOID or BORDER."""
    cells: NDArray[np.int64]
    total: Array
    """Sum of the elevations of its cells: cells * spill - total is its volume over the area of one cell."""
    box: Index
    """(depressions, 4): first row, first column, last row, last column."""


def depressions(z: Array) -> Depressions:
    """The depressions of `z` (rows, cols), m, NaN where missing. Border cells and cells beside missing ones drain."""
    flow = np.empty(z.shape, np.int32)
    some = np.empty((4, z.size), np.int32)
    count = _scan(z, flow, some, _separate_parts())
    pits, *events = (a[:n].copy() for a, n in zip(some, count, strict=True))
    del some
    _to_pits(flow)
    # At one level sills come before voids and these before the border: what can drain inside the window does so there.
    kind = np.repeat(np.array([INSIDE, VOID, BORDER], np.uint8), [len(e) for e in events])
    cells = np.concatenate(events)
    order = ascending(z.ravel()[cells].reshape(1, -1))
    nodes, alive = merge(z, flow, pits, cells[order], kind[order])
    return _numbered(z, flow, pits, nodes, alive)


@cache
def _separate_parts() -> NDArray[np.bool_]:
    """For each set of the eight neighbours (a bit each, in the order of _DI): whether some of it do not touch."""
    touch = (np.abs(_DI[:, None] - _DI) <= 1) & (np.abs(_DJ[:, None] - _DJ) <= 1)
    out = np.zeros(256, bool)
    for bits in range(1, 256):
        members = [k for k in range(8) if bits >> k & 1]
        reached = {members[0]}
        for _ in members:
            reached |= {k for k in members if touch[k, list(reached)].any()}
        out[bits] = len(reached) < len(members)
    return out


@njit(cache=KEPT, nogil=True)
def _scan(z, flow, some, separate):  # type: ignore[no-untyped-def]
    """Where each cell flows to (pits: _PIT - number). Rows of `some`: pits, then where depressions meet or drain."""
    pits, sills, voids, borders = some
    rows, cols = z.shape
    zf, ff = z.ravel(), flow.ravel()
    pit_count, sill_count, void_count, border_count = 0, 0, 0, 0
    for i in range(rows):
        for j in range(cols):
            c = i * cols + j
            here = zf[c]
            if here != here:
                ff[c] = _MISSING
                continue
            best, to, bits = np.inf, -1, 0
            inside = 0 < i < rows - 1 and 0 < j < cols - 1
            gap = False
            for k in range(8):
                ii, jj = i + _DI[k], j + _DJ[k]
                if not inside and (ii < 0 or jj < 0 or ii >= rows or jj >= cols):
                    continue
                n = ii * cols + jj
                there = zf[n]
                gap |= there != there
                # Cells that tie count as lower before this one in reading order and as higher after it.
                if there < here or (there == here and k < 4):
                    bits |= 1 << k
                    if there < best:
                        best, to = there, n
            if bits == 0:
                ff[c] = _PIT - pit_count
                pits[pit_count] = c
                pit_count += 1
            else:
                ff[c] = to
                if separate[bits]:
                    sills[sill_count] = c
                    sill_count += 1
            if gap:
                voids[void_count] = c
                void_count += 1
            elif not inside:
                borders[border_count] = c
                border_count += 1
    return pit_count, sill_count, void_count, border_count


@njit(cache=KEPT, nogil=True)
def _to_pits(flow):  # type: ignore[no-untyped-def]
    """Turn the cell that each one flows to into the number of the pit that it comes to."""
    ff = flow.ravel()
    for start in range(ff.size):
        end = start
        while ff[end] >= 0:
            end = ff[end]
        last = ff[end]
        c = start
        while ff[c] >= 0:
            following = ff[c]
            ff[c] = last
            c = following
    for c in range(ff.size):
        ff[c] = _MISSING if ff[c] == _MISSING else _PIT - ff[c]


def _numbered(z: Array, flow: Index, pits: Index, nodes: Nodes, alive: Index) -> Depressions:
    """Give numbers to the nodes that are depressions (`alive`: 0 or 1 a node) and collect what lies in each."""
    number = np.full(alive.size, -1, np.int32)
    parent, first, old = _postorder(nodes.parent, alive, number)
    spill = nodes.spill[old]
    n = old.size
    start = number[nodes.same[: pits.size]]
    jump = _jumps(parent)
    cells, total = np.zeros(n, np.int64), np.zeros(n)
    box = np.empty((n, 4), np.int32)
    box[:] = (z.shape[0], z.shape[1], -1, -1)
    _collect(z, flow, start, parent, jump, spill, cells, total, box)
    pit = np.full(n, -1, np.int32)
    leaf = old < pits.size
    pit[leaf] = pits[old[leaf]]
    _gather(z, parent, cells, total, box, pit)
    return Depressions(
        flow, parent, first, pit, z.ravel()[pit], spill, nodes.spill_cell[old], nodes.outlet[old], cells, total, box
    )


@njit(cache=KEPT, nogil=True)
def _postorder(parent, alive, number):  # type: ignore[no-untyped-def]
    """Numbers for nodes whose parents come later: one block a node, its own number the last of the block."""
    size = alive.astype(np.int32)
    for k in range(parent.size):
        if alive[k] != 0 and parent[k] >= 0:
            size[parent[k]] += size[k]
    n = alive.sum()
    new_parent, first, old = np.empty(n, np.int32), np.empty(n, np.int32), np.empty(n, np.int32)
    free = np.empty(parent.size, np.int32)
    end = n
    for k in range(parent.size - 1, -1, -1):
        if alive[k] == 0:
            continue
        p = parent[k]
        if p < 0:
            own = end - 1
            end -= size[k]
            new_parent[own] = -1
        else:
            own = free[p]
            free[p] -= size[k]
            new_parent[own] = number[p]
        number[k] = own
        free[k] = own - 1
        first[own] = own - size[k] + 1
        old[own] = k
    return new_parent, first, old


@njit(cache=KEPT, nogil=True)
def _jumps(parent):  # type: ignore[no-untyped-def]
    """An ancestor for each node so that any other is found in a logarithmic number of steps (Myers 1983)."""
    n = parent.size
    jump, depth = np.empty(n, np.int32), np.empty(n, np.int32)
    for k in range(n - 1, -1, -1):
        p = parent[k]
        if p < 0:
            jump[k] = k
            depth[k] = 0
            continue
        depth[k] = depth[p] + 1
        far = jump[p]
        jump[k] = jump[far] if depth[p] - depth[far] == depth[far] - depth[jump[far]] and far != p else p
    return jump


@njit(cache=KEPT, nogil=True)
def _collect(z, flow, start, parent, jump, spill, cells, total, box):  # type: ignore[no-untyped-def]
    """Find each cell's innermost depression, write it over `flow`, and count the cell there."""
    rows, cols = z.shape
    for i in range(rows):
        for j in range(cols):
            if flow[i, j] < 0:
                continue
            here = z[i, j]
            k = start[flow[i, j]]
            while k >= 0 and spill[k] <= here:
                k = jump[k] if jump[k] != k and spill[jump[k]] <= here else parent[k]
            flow[i, j] = k
            if k >= 0:
                cells[k] += 1
                total[k] += here
                box[k, 0] = min(box[k, 0], i)
                box[k, 1] = min(box[k, 1], j)
                box[k, 2] = max(box[k, 2], i)
                box[k, 3] = max(box[k, 3], j)


@njit(cache=KEPT, nogil=True)
def _gather(z, parent, cells, total, box, pit):  # type: ignore[no-untyped-def]
    """Add to each depression what lies in those inside it."""
    zf = z.ravel()
    for k in range(parent.size):
        p = parent[k]
        if p < 0:
            continue
        cells[p] += cells[k]
        total[p] += total[k]
        box[p, 0] = min(box[p, 0], box[k, 0])
        box[p, 1] = min(box[p, 1], box[k, 1])
        box[p, 2] = max(box[p, 2], box[k, 2])
        box[p, 3] = max(box[p, 3], box[k, 3])
        a, b = pit[p], pit[k]
        if a < 0 or zf[b] < zf[a] or (zf[b] == zf[a] and b < a):
            pit[p] = b
