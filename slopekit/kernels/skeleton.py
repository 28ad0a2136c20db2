"""Thin patches of cells to lines one cell wide, and take the lines apart at their junctions."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Ints = NDArray[np.int64]


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _thin(alive, depth, order, around):  # type: ignore[no-untyped-def]
    """`alive`, `depth`: flat, padded. `around`: offsets E, NE, N, NW, W, SW, S, SE."""
    b = np.empty(10, np.int64)
    changed = True
    while changed:
        changed = False
        left = 0
        for c in order:
            near = 0
            for k in range(8):
                b[k] = 0 if alive[c + around[k]] else 1
                near += 1 - b[k]
            b[8], b[9] = b[0], b[1]
            keep = near <= 1
            if near == 2:
                # The end of a line two cells wide, no shallower than what is left of it: without this rule such a line
                # would go cell by cell from its end.
                keep = True
                for k in range(8):
                    if b[k] == 0 and (depth[c + around[k]] > depth[c] + 1e-9 or b[k + 1] + b[(k + 7) % 8] == 2):
                        keep = False
            if not keep:
                # Connectivity number (Yokoi, Toriwaki and Fukumura 1975): 1 where taking the cell parts nothing.
                crossings = 0
                for k in range(0, 8, 2):
                    crossings += b[k] - b[k] * b[k + 1] * b[k + 2]
                keep = crossings != 1
            if keep:
                order[left] = c
                left += 1
            else:
                alive[c] = False
                changed = True
        order = order[:left]


@njit(cache=KEPT, nogil=True, error_model="numpy")
def without_holes(mask: Bool, most: int) -> Bool:
    """`mask` (rows, cols) with its holes of up to `most` cells (4-connected) filled; open at the border is no hole."""
    rows, cols = mask.shape
    out = mask.copy()
    held = np.empty(most + 1, np.int64)
    for i in range(1, rows - 1):
        for j in range(1, cols - 1):
            # The first cell of a hole in reading order lies right of and below the mask.
            if out[i, j] or not (out[i - 1, j] and out[i, j - 1]):
                continue
            held[0] = i * cols + j
            count, done = 1, 0
            hole = True
            while hole and done < count:
                a, b = held[done] // cols, held[done] % cols
                done += 1
                if a == 0 or b == 0 or a == rows - 1 or b == cols - 1:
                    hole = False
                    break
                for c in ((a - 1) * cols + b, (a + 1) * cols + b, a * cols + b - 1, a * cols + b + 1):
                    if out[c // cols, c % cols]:
                        continue
                    known = False
                    for k in range(count):
                        known = known or held[k] == c
                    if known:
                        continue
                    if count == most:
                        hole = False
                        break
                    held[count] = c
                    count += 1
            if hole:
                for k in range(count):
                    out[held[k] // cols, held[k] % cols] = True
    return out


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _keys(flat, wide, depth, height):  # type: ignore[no-untyped-def]
    """Depth with the height of the 5 x 5 cells around as a trace on it; arrays flat, padded by two cells."""
    out = np.empty(flat.size)
    # Falling with distance and with no common measure, so that heights in whole centimetres seldom tie.
    weight = np.exp(-0.5 * np.arange(9.0))
    for n in range(flat.size):
        total = 0.0
        for di in range(-2, 3):
            for dj in range(-2, 3):
                near = height[flat[n] + di * wide + dj]
                total += weight[di * di + dj * dj] * near if near == near else 0.0
        out[n] = depth[flat[n]] + 1e-6 * total
    return out


def thinned(mask: Bool, depth: Array, height: Array) -> Bool:
    """Lines one cell wide through the middle of each patch of `mask` (rows, cols); holes and pieces stay as they are.

    Distance-ordered homotopic thinning (Pudney 1998): cells go in the order of `depth` (way out of the patch), then of
    `height`, where taking one joins or parts nothing (8-connected lines) and it is not the end of a line. As the order
    comes from the ground, turning the grid turns the lines, but for exact ties.
    """
    wide = mask.shape[1] + 4
    alive = np.pad(mask, 2).reshape(-1)
    deep, high = (np.pad(a, 2).reshape(-1) for a in (depth, height))
    flat = np.flatnonzero(alive)
    order = np.argsort(_keys(flat, wide, deep, high), kind="stable")
    around = np.array([1, 1 - wide, -wide, -1 - wide, -1, wide - 1, wide, wide + 1])
    _thin(alive, deep, flat[order], around)
    return alive.reshape(-1, wide)[2:-2, 2:-2]


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _walk(line, start, todo, around, cells, n):  # type: ignore[no-untyped-def]
    """Follow `todo` cells from `start`; writes them to `cells` from n on and returns where they end."""
    c = start
    while True:
        todo[c] = False
        cells[n] = c
        n += 1
        following = -1
        for k in range(8):
            if todo[c + around[k]]:
                following = c + around[k]
                break
        if following < 0:
            return n
        c = following


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _chains(line, node, around, cells, bounds, ends):  # type: ignore[no-untyped-def]
    """Marks `node`. bounds[k]: first cell of chain k; ends[k]: node cells at its ends (-1 none, -2 twice: closed)."""
    todo = np.zeros(line.size, np.bool_)
    for c in range(line.size):
        if line[c]:
            near = 0
            for k in range(8):
                near += line[c + around[k]]
            node[c] = near >= 3
            todo[c] = near < 3
    n, count = 0, 0
    for closed in range(2):
        for start in range(line.size):
            if not todo[start]:
                continue
            near = 0
            for k in range(8):
                near += todo[start + around[k]]
            if near > 1 and closed == 0:
                continue
            first = n
            n = _walk(line, start, todo, around, cells, n)
            bounds[count] = first
            if closed:
                ends[count] = -2
            else:
                ends[count] = -1
                for k in range(8):
                    if node[start + around[k]]:
                        ends[count, 0] = start + around[k]
                        break
                for k in range(7, -1, -1):
                    c = cells[n - 1] + around[k]
                    if node[c] and not (n - first == 1 and c == ends[count, 0]):
                        ends[count, 1] = c
                        break
            count += 1
    bounds[count] = n
    return count


def chains(lines: Bool) -> tuple[Ints, Ints, Ints, Bool]:
    """Take thinned `lines` (rows, cols) apart: (cells, bounds, ends, junction cells).

    Junctions are the cells with three neighbours or more. Run k holds, in order, the flat indices
    cells[bounds[k]:bounds[k + 1]]; ends (runs, 2) holds the flat index of the junction cell that its first and its last
    cell touch, -1 at a loose end, -2 twice for a closed line. Junction cells: (rows, cols).
    """
    rows, cols = lines.shape
    wide = cols + 2
    line = np.zeros((rows + 2, wide), np.bool_)
    line[1:-1, 1:-1] = lines
    node = np.zeros_like(line)
    size = int(np.count_nonzero(lines))
    cells, bounds, ends = np.empty(size, np.int64), np.empty(size + 1, np.int64), np.empty((size, 2), np.int64)
    around = np.array([1, -wide, -1, wide, 1 - wide, -1 - wide, wide - 1, wide + 1])
    count = _chains(line.reshape(-1), node.reshape(-1), around, cells, bounds, ends)

    def narrow(c: Ints) -> Ints:
        return np.where(c < 0, c, (c // wide - 1) * cols + c % wide - 1)

    return narrow(cells[: bounds[count]]), bounds[: count + 1], narrow(ends[:count]), node[1:-1, 1:-1]
