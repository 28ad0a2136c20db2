"""Least-cost ways over a grid, where a step may be allowed one way and not the other."""

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

NO_CELL = -1
# A grade that equals its limit is within it, whatever the rounding of a square root of two.
_ROUNDING = 1e-12
# Half the angle between two of the eight directions.
_HALF = math.cos(math.radians(22.5)) * (1.0 - 1e-9)


class Routes(NamedTuple):
    """Cost and way of every cell."""

    cost: Array
    """(rows, cols), m; inf where there is no way."""
    previous: NDArray[np.int32]
    """(rows, cols), flat index of the next cell towards the entrance; -1 at an entrance and where there is no way."""


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _before(cost, a, b):  # type: ignore[no-untyped-def]
    return cost[a] < cost[b] or (cost[a] == cost[b] and a < b)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _rise(heap, place, cost, at):  # type: ignore[no-untyped-def]
    c = heap[at]
    while at > 0:
        above = (at - 1) >> 1
        if not _before(cost, c, heap[above]):
            break
        heap[at] = heap[above]
        place[heap[at]] = at
        at = above
    heap[at] = c
    place[c] = at


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _sink(heap, place, cost, size):  # type: ignore[no-untyped-def]
    c = heap[0]
    at = 0
    while True:
        below = 2 * at + 1
        if below >= size:
            break
        if below + 1 < size and _before(cost, heap[below + 1], heap[below]):
            below += 1
        if not _before(cost, heap[below], c):
            break
        heap[at] = heap[below]
        place[heap[at]] = at
        at = below
    heap[at] = c
    place[c] = at


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _straight(p0, q0, p1, q1, ux, uy, own, up, down, cross):  # type: ignore[no-untyped-def]
    """Whether a step may stand for one straight up, down or across, which the grid has no direction for."""
    full0, full1 = math.hypot(p0, q0), math.hypot(p1, q1)
    along0, along1 = p0 * ux + q0 * uy, p1 * ux + q1 * uy
    if abs(along0) >= _HALF * full0 and abs(along1) >= _HALF * full1:
        most_up = max(full0 if along0 > 0.0 else -full0, full1 if along1 > 0.0 else -full1, own)
        most_down = max(full0 if along0 < 0.0 else -full0, full1 if along1 < 0.0 else -full1, -own)
        return most_up <= up and most_down <= down
    if abs(p0 * uy - q0 * ux) >= _HALF * full0 and abs(p1 * uy - q1 * ux) >= _HALF * full1:
        return full0 <= cross and full1 <= cross and abs(own) <= cross
    return False


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _search(  # type: ignore[no-untyped-def]
    z, p, q, shut, start, dx, dy, up, down, cross, allowance, slope_factor, corners, straight, outward, cost, previous
):
    rows, cols = z.shape
    zf, pf, qf, bf = z.ravel(), p.ravel(), q.ravel(), shut.ravel()
    place = np.full(rows * cols, -1, np.int32)  # -1: not met yet, -2: settled, else its place in the heap
    heap = np.empty(rows * cols, np.int32)
    size = 0
    for s in start:
        if not bf[s] and place[s] == -1:
            cost[s] = 0.0
            heap[size] = s
            _rise(heap, place, cost, size)
            size += 1
    while size > 0:
        c = heap[0]
        size -= 1
        place[c] = -2
        if size > 0:
            heap[0] = heap[size]
            _sink(heap, place, cost, size)
        i, j = c // cols, c % cols
        for di in range(-1, 2):
            ii = i + di
            if ii < 0 or ii >= rows:
                continue
            for dj in range(-1, 2):
                jj = j + dj
                if jj < 0 or jj >= cols or (di == 0 and dj == 0):
                    continue
                n = ii * cols + jj
                if place[n] == -2 or bf[n]:
                    continue
                if not corners and di != 0 and dj != 0 and (bf[i * cols + jj] or bf[ii * cols + j]):
                    continue
                length = math.sqrt(di * di * dy * dy + dj * dj * dx * dx)
                # Outward the machine drives from n to c, so the same step is seen from its other end.
                sign = -1.0 if outward else 1.0
                ux, uy = sign * dj * dx / length, sign * di * dy / length
                here, there = pf[c] * ux + qf[c] * uy, pf[n] * ux + qf[n] * uy
                own = sign * (zf[n] - zf[c]) / length
                # tan(a - b), as for the compared slope: what may be noise does not count.
                lowered = max(0.0, (abs(own) - allowance) / (1.0 + abs(own) * allowance))
                own = lowered if own > 0.0 else -lowered
                steepest_up, steepest_down = max(here, there, own), -min(here, there, own)
                side = max(abs(pf[c] * uy - qf[c] * ux), abs(pf[n] * uy - qf[n] * ux))
                # Written so that a missing value allows nothing.
                if not (steepest_up <= up and steepest_down <= down and side <= cross) and not (
                    straight and _straight(pf[c], qf[c], pf[n], qf[n], ux, uy, own, up, down, cross)
                ):
                    continue
                through = cost[c] + length * (1.0 + slope_factor * max(0.0, steepest_up, steepest_down))
                if place[n] == -1:
                    cost[n] = through
                    previous[n] = c
                    heap[size] = n
                    _rise(heap, place, cost, size)
                    size += 1
                elif through < cost[n]:
                    cost[n] = through
                    previous[n] = c
                    _rise(heap, place, cost, place[n])


def least_cost(
    z: Array,
    p: Array,
    q: Array,
    blocked: Bool,
    start: NDArray[np.int64],
    dx: float,
    dy: float,
    up: float,
    down: float,
    cross: float,
    *,
    allowance: float = 0.0,
    slope_factor: float = 0.0,
    corners: bool = False,
    straight: bool = False,
    outward: bool = False,
) -> Routes:
    """Least-cost ways between entrances and every cell, by steps to the eight neighbours (Dijkstra 1959).

    z: ground (rows, cols), m. p, q: gradient that counts against the limits, dz/dx (columns to the right) and dz/dy
    (rows downward). blocked: cells never entered; a cell with a missing z, p or q is never entered either. start: flat
    indices of the entrances; blocked ones count for nothing. up, down, cross: tangents of the steepest ground driven
    up, down and across. A step's grade is the greatest of the gradient along it at both its ends and of its own rise
    over its length, that last lowered by `allowance` (tangent of an angle); its cross slope is the greater one of both
    ends. Each must keep its limit; one that equals it does.

    cost: plan length in m, each step times 1 + slope_factor x its grade (up or down). corners: whether a diagonal step
    may pass beside a blocked cell. straight: a step within half the angle between two directions (22.5 degrees) of the
    fall line, or of the contour, at both its ends is also allowed where driving straight along that would be: the full
    gradient then counts against that limit alone. Without it a face that lies between two directions of the grid is
    closed to a machine that may only go straight up it. outward: ways from every cell to an entrance; else from an
    entrance to every cell. Of ways that cost the same, that over the cell which is nearer to an entrance, then has the
    lower index, is kept.
    """
    shape = z.shape
    cost = np.full(z.size, np.inf)
    previous = np.full(z.size, NO_CELL, np.int32)
    shut = blocked | np.isnan(z) | np.isnan(p) | np.isnan(q)
    up, down, cross = (limit * (1.0 + _ROUNDING) + _ROUNDING for limit in (up, down, cross))
    z, p, q = np.ascontiguousarray(z), np.ascontiguousarray(p), np.ascontiguousarray(q)
    first = np.asarray(start, np.int64)
    _search(
        z,
        p,
        q,
        shut,
        first,
        dx,
        dy,
        up,
        down,
        cross,
        allowance,
        slope_factor,
        corners,
        straight,
        outward,
        cost,
        previous,
    )
    return Routes(cost.reshape(shape), previous.reshape(shape))


def cells_between(routes: Routes, cell: int) -> list[int]:
    """Flat indices from `cell` to its entrance, both included; empty where there is no way."""
    if not np.isfinite(routes.cost.ravel()[cell]):
        return []
    previous = routes.previous.ravel()
    out = [cell]
    while previous[out[-1]] != NO_CELL:
        out.append(int(previous[out[-1]]))
    return out
