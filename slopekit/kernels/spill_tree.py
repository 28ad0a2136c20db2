"""Merging of depressions, level by level: the heart of `kernels.depressions`."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Index = NDArray[np.int32]

_INSIDE = 0
_OCEAN = -1


class Nodes(NamedTuple):
    """One leaf a pit, in the order of the pits, then the nodes that merging made. Parents come after children."""

    parent: Index
    """Node, or -1 where it drains."""
    same: Index
    """The node that this one turned out to be a piece of; itself if of none."""
    form: Array
    """Level at which it came to be."""
    spill: Array
    spill_cell: Index
    outlet: NDArray[np.uint8]


def merge(z: Array, flow: Index, pits: Index, events: Index, kind: NDArray[np.uint8]) -> tuple[Nodes, Index]:
    """The tree, and 1 for the nodes that are depressions.

    flow: (rows, cols), number of the pit that each cell comes to, -1 where missing. pits: flat indices. events: flat
    indices of the cells where depressions meet (kind 0) or drain (1, 2), ascending in z and, at one level, in kind.
    """
    n = 2 * pits.size
    parent, same = np.full(n, _OCEAN, np.int32), np.arange(n, dtype=np.int32)
    nodes = Nodes(parent, same, np.empty(n), np.empty(n), np.empty(n, np.int32), np.zeros(n, np.uint8))
    nodes.form[: pits.size] = z.ravel()[pits]
    drained = np.zeros(n, np.uint8)
    root, node = np.arange(pits.size + 1, dtype=np.int32), np.arange(pits.size + 1, dtype=np.int32)
    used = _merge(z, flow, events, kind, root, node, nodes, drained)
    nodes = Nodes(
        parent[:used],
        same[:used],
        nodes.form[:used],
        nodes.spill[:used],
        nodes.spill_cell[:used],
        nodes.outlet[:used],
    )
    return nodes, _settle(nodes, drained)


@njit(cache=KEPT, nogil=True)
def _find(root, c):  # type: ignore[no-untyped-def]
    while root[c] != c:
        root[c] = root[root[c]]
        c = root[c]
    return c


@njit(cache=KEPT, nogil=True)
def _merge(z, flow, events, kind, root, node, nodes, drained):  # type: ignore[no-untyped-def]
    """Run through the events. `root`: union-find over pits and, last, all that drains; `node`: the open node of each.

    A node that came to be at the level in hand is not a depression below it. It is a piece of what the events of that
    level go on to make, so it takes in or is taken in, and has no spill level before the level is over.
    """
    rows, cols = z.shape
    zf, ff = z.ravel(), flow.ravel()
    ocean = root.size - 1
    used = ocean
    near = np.empty(10, np.int32)
    for e in range(events.size):
        c = events[e]
        level = zf[c]
        near[0] = _find(root, ff[c])
        count = 1
        if kind[e] != _INSIDE:
            if near[0] == ocean:
                continue
            near[1] = ocean
            count = 2
        else:
            i, j = c // cols, c % cols
            for ii in range(max(i - 1, 0), min(i + 2, rows)):
                for jj in range(max(j - 1, 0), min(j + 2, cols)):
                    m = ii * cols + jj
                    if not (zf[m] < level or (zf[m] == level and m < c)):
                        continue
                    r = _find(root, ff[m])
                    known = False
                    for k in range(count):
                        known |= near[k] == r
                    if not known:
                        near[count] = r
                        count += 1
            if count == 1:
                continue
        drains = False
        closing, piece, joint = 0, -1, -1
        for k in range(count):
            if near[k] == ocean:
                drains = True
                continue
            a = node[near[k]]
            if nodes.form[a] < level:
                closing += 1
                piece = a if joint < 0 and closing == 1 else piece
            elif a >= ocean and joint < 0:
                joint = a
            elif closing == 0 and piece < 0:
                piece = a
        if not drains and joint < 0 and closing > 1:
            joint = used
            nodes.form[joint] = level
            used += 1
        into = joint if joint >= 0 else piece
        top = ocean if drains else near[0]
        for k in range(count):
            if near[k] == ocean:
                continue
            a = node[near[k]]
            if nodes.form[a] < level and (drains or joint >= 0):
                nodes.parent[a] = _OCEAN if drains else joint
                nodes.spill[a] = level
                nodes.spill_cell[a] = c
                nodes.outlet[a] = kind[e]
            elif drains:
                drained[a] = 1 + kind[e]
            elif a != into:
                nodes.same[a] = into
            root[near[k]] = top
        if not drains:
            node[top] = into
    return used


@njit(cache=KEPT, nogil=True)
def _settle(nodes, drained):  # type: ignore[no-untyped-def]
    """Let `parent` and `same` point at nodes that are depressions, or at nothing."""
    alive = np.zeros(nodes.same.size, np.int32)
    for k in range(alive.size):
        if nodes.same[k] == k and drained[k] == 0:
            alive[k] = 1
        if nodes.parent[k] >= 0:
            p = _find(nodes.same, nodes.parent[k])
            if drained[p] != 0:
                nodes.outlet[k] = drained[p] - 1
                p = _OCEAN
            nodes.parent[k] = p
    for k in range(alive.size):
        nodes.same[k] = _find(nodes.same, k)
    return alive
