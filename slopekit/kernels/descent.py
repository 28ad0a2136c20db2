"""Where ground runs down to: D-infinity receivers (Tarboton 1997) and one pass over the cells from the lowest up."""

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

# What a cell is, before tracing.
PLAIN, WATER, DROP, HAZARD, MISSING, FLOOR, DRY_FLOOR, CUT = range(8)
# Outcomes, in the order of the share columns.
OUTCOMES = ("water", "drop", "hazard", "level", "basin", "unknown")
TO_WATER, TO_DROP, TO_HAZARD, TO_LEVEL, TO_BASIN, TO_UNKNOWN = range(6)
# Columns of the result after the six shares.
LENGTH, HAZARD_Z, LONGEST, FLAT_RUN, ANY_LENGTH, REACH = range(6, 12)

# Neighbours counter-clockwise from east; even ones are cardinal. Facet f lies between cardinal _CARD[f] and diagonal
# _DIAG[f].
_DI = (0, -1, -1, -1, 0, 1, 1, 1)
_DJ = (1, 1, 0, -1, -1, -1, 0, 1)
NEIGHBOURS = tuple(zip(_DI, _DJ, strict=True))
_CARD = np.array([0, 2, 2, 4, 4, 6, 6, 0])
_DIAG = np.array([1, 1, 3, 3, 5, 5, 7, 7])
# A receiver code below 8 is one neighbour; below 16 a facet; then none, or several that are equally steep.
_FACET, _NONE, _TIE = 8, 16, 17


@njit(cache=True, nogil=True, error_model="numpy")
def _around(cols, dx, dy):  # type: ignore[no-untyped-def]
    """Of the eight neighbours: offset in the flat array, distance (m), its reciprocal, and for cardinal ones the angle
    between them and the diagonal beside."""
    offset = np.empty(8, np.int64)
    distance = np.empty(8)
    for k in range(8):
        offset[k] = _DI[k] * cols + _DJ[k]
        distance[k] = math.hypot(_DI[k] * dy, _DJ[k] * dx)
    angle = np.empty(8)
    for k in range(8):
        angle[k] = math.atan2(distance[(k + 2) % 8], distance[k])
    return offset, distance, 1.0 / distance, angle


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _falls(w, c, offset, inverse, grade, across):  # type: ignore[no-untyped-def]
    """Fill `grade` (8) with the falls per metre to the neighbours of c and `across` (8) with those along the facets."""
    for k in range(8):
        grade[k] = (w[c] - w[c + offset[k]]) * inverse[k]
    for f in range(8):
        a = _CARD[f]
        across[f] = (w[c + offset[a]] - w[c + offset[_DIAG[f]]]) * inverse[(a + 2) % 8]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _steepest(w, c, around, grade, across):  # type: ignore[no-untyped-def]
    """Receiver code of cell c (not on the border) and the part of the flow that the diagonal of a facet takes."""
    offset, distance, inverse, angle = around
    _falls(w, c, offset, inverse, grade, across)
    best = 0.0
    found = _NONE
    for k in range(8):
        if grade[k] > best:
            best, found = grade[k], k
        elif grade[k] == best and best > 0.0:
            found = _TIE
    best *= best
    part = 0.0
    for f in range(8):
        a = _CARD[f]
        t1, t2 = grade[a], across[f]
        if t1 > 0.0 and t2 > 0.0 and t2 * distance[a] < t1 * distance[(a + 2) % 8]:
            steep = t1 * t1 + t2 * t2
            if steep > best:
                best, found = steep, _FACET + f
                part = t2 / t1
            elif steep == best:
                found = _TIE
    if _FACET <= found < _NONE:
        part = math.atan(part) / angle[_CARD[found - _FACET]]
    return found, part


@njit(cache=True, nogil=True, error_model="numpy")
def _ties(w, c, around, into, weight):  # type: ignore[no-untyped-def]
    """Receivers where several ways down are equally steep: they share the flow, so turning a grid changes nothing."""
    offset, distance, inverse, angle = around
    for k in range(8):
        weight[k] = 0.0
    best = 0.0
    ways = 0
    for s in range(16):
        if s < _FACET:
            a = b = s
            fall = (w[c] - w[c + offset[a]]) * inverse[a]
            steep = fall * fall if fall > 0.0 else 0.0
            part = 0.0
        else:
            a, b = _CARD[s - _FACET], _DIAG[s - _FACET]
            t1 = (w[c] - w[c + offset[a]]) * inverse[a]
            t2 = (w[c + offset[a]] - w[c + offset[b]]) * inverse[(a + 2) % 8]
            if t1 <= 0.0 or t2 <= 0.0 or t2 * distance[a] >= t1 * distance[(a + 2) % 8]:
                continue
            steep = t1 * t1 + t2 * t2
            part = t2 / t1
        if steep < best or steep == 0.0:
            continue
        if steep > best:
            best = steep
            ways = 0
            for k in range(8):
                weight[k] = 0.0
        if part > 0.0:
            part = math.atan(part) / angle[a]
        weight[a] += 1.0 - part
        weight[b] += part
        ways += 1
    count = 0
    for k in range(8):
        if weight[k] > 0.0:
            into[count] = k
            weight[count] = weight[k] / ways
            count += 1
    return count


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _spread(w, c, around, code, part, into, weight):  # type: ignore[no-untyped-def]
    """Fill `into` with the directions (0 to 7) that cell c flows to and `weight` with their parts; return how many."""
    if code < _FACET:
        into[0] = code
        weight[0] = 1.0
        return 1
    if code < _NONE:
        into[0] = _CARD[code - _FACET]
        into[1] = _DIAG[code - _FACET]
        weight[0] = 1.0 - part
        weight[1] = part
        return 2
    if code == _NONE:
        return 0
    return _ties(w, c, around, into, weight)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _wait(seen, waiting, top, c):  # type: ignore[no-untyped-def]
    """Put cell c on the stack unless it has been there; return the new top."""
    if seen[c] == 0:
        top += 1
        waiting[top] = c
    return top


class Walk(NamedTuple):
    """Cells on some ways down, every cell after those that it flows to. Code and part are (rows * cols,)."""

    order: NDArray[np.int32]
    """Flat indices of the cells."""
    code: Mask
    """Their receiver codes."""
    part: Array
    """Part of the flow that the diagonal of a facet takes."""


@njit(cache=True, nogil=True, error_model="numpy")
def _lower_first(w, kind, dx, dy, start, code, part):  # type: ignore[no-untyped-def]
    """Flat indices of the cells on the ways down from the `start` cells, every cell after those it flows to.

    Fills `code` and `part` of these cells. Neighbours in the list are neighbours on the ground, which keeps the pass in
    cache; an order by elevation does not.
    """
    around = _around(w.shape[1], dx, dy)
    offset = around[0]
    w, kind = w.ravel(), kind.ravel()
    n = w.size
    seen = np.zeros(n, np.uint8)  # 0 not seen, 1 waiting for lower cells, 2 listed
    order = np.empty(n, np.int32)
    # A cell waits at most once for each neighbour that flows to it.
    waiting = np.empty(8 * n, np.int32)
    grade, across = np.empty(8), np.empty(8)
    listed = 0
    for first in range(n):
        if not start[first] or seen[first] != 0 or w[first] != w[first]:
            continue
        top = 0
        waiting[0] = first
        while top >= 0:
            c = waiting[top]
            if seen[c] == 0:
                seen[c] = 1
                k = kind[c]
                if k != PLAIN and k != FLOOR and k != DRY_FLOOR:
                    continue
                code[c], part[c] = _steepest(w, c, around, grade, across)
                found = code[c]
                if found < _FACET:
                    top = _wait(seen, waiting, top, c + offset[found])
                elif found < _NONE:
                    top = _wait(seen, waiting, top, c + offset[_CARD[found - _FACET]])
                    top = _wait(seen, waiting, top, c + offset[_DIAG[found - _FACET]])
                elif found == _TIE:
                    # Every lower neighbour: too many do no harm here.
                    for d in range(8):
                        if grade[d] > 0.0:
                            top = _wait(seen, waiting, top, c + offset[d])
            else:
                if seen[c] == 1:
                    seen[c] = 2
                    order[listed] = c
                    listed += 1
                top -= 1
    return order[:listed]


def _walk(w, kind, dx, dy, start):  # type: ignore[no-untyped-def]
    code, part = np.zeros(w.size, np.uint8), np.zeros(w.size)
    return Walk(_lower_first(w, kind, dx, dy, start, code, part), code, part)


@njit(cache=True, nogil=True, error_model="numpy")
def _receivers(w, dx, dy, out):  # type: ignore[no-untyped-def]
    rows, cols = w.shape
    wf = w.ravel()
    around = _around(cols, dx, dy)
    grade, across = np.empty(8), np.empty(8)
    weight = np.zeros(8)
    into = np.zeros(8, np.int64)
    for i in range(1, rows - 1):
        for c in range(i * cols + 1, (i + 1) * cols - 1):
            code, part = _steepest(wf, c, around, grade, across)
            for m in range(_spread(wf, c, around, code, part, into, weight)):
                out[c, into[m]] = weight[m]


def receivers(w: Array, dx: float, dy: float) -> Array:
    """Shares of each cell's flow to its neighbours E, NE, N, NW, W, SW, S, SE: (rows, cols, 8). Zero on the border."""
    out = np.zeros((w.size, 8))
    _receivers(w, dx, dy, out)
    return out.reshape(*w.shape, 8)


@njit(cache=True, nogil=True, error_model="numpy")
def _outcomes(w, kind, gentle, friction, dx, dy, landing_length, max_run, order, code, part, near, state):  # type: ignore[no-untyped-def]
    cols = w.shape[1]
    wf, kf, gf = w.ravel(), kind.ravel(), gentle.ravel()
    last = state.shape[1]
    around = _around(cols, dx, dy)
    offset, distance = around[0], around[1]
    # Lengths add up in float64: one that equals its bound to the last digits has reached it, in feet as in metres.
    landing_length *= 1.0 - 1e-9
    max_run *= 1.0 + 1e-9
    weight = np.zeros(8)
    into = np.zeros(8, np.int64)
    for c in order:
        k = kf[c]
        hazard = k in (WATER, DROP, HAZARD)
        # Rows of `state` come as zeros: what stays zero is not written.
        if hazard:
            near[c] = TO_WATER if k == WATER else (TO_DROP if k == DROP else TO_HAZARD)
            state[c, near[c]] = 1.0
            state[c, HAZARD_Z] = wf[c]
            continue
        for s in range(ANY_LENGTH, last):
            state[c, s] = np.inf
        if k in (MISSING, CUT):
            _whole(state, c, TO_UNKNOWN)
            state[c, LONGEST] = np.inf if k == CUT else 0.0
            continue
        count = _spread(wf, c, around, code[c], part[c], into, weight)
        longest = 0.0
        flat = np.inf if count > 0 else 0.0
        any_length = np.inf
        for m in range(count):
            r = c + offset[into[m]]
            step = distance[into[m]]
            length = state[r, LONGEST] + step
            if length > longest:
                longest = length
            length = state[r, FLAT_RUN] + step
            if length < flat:
                flat = length
            length = state[r, ANY_LENGTH] + step
            if length < any_length:
                any_length = length
            if length <= max_run:
                fall = wf[c] - wf[r]
                for s in range(REACH, last):
                    head = max(0.0, state[r, s] + friction[s - REACH] * step - fall)
                    if head < state[c, s]:
                        state[c, s] = head
        state[c, ANY_LENGTH] = any_length
        level = gf[c] != 0 and k != FLOOR
        if level:
            state[c, FLAT_RUN] = flat
        if level and flat >= landing_length:
            _whole(state, c, TO_LEVEL)
        elif k == FLOOR:
            _whole(state, c, TO_BASIN)
        elif count == 0:
            # The bottom of a hollow stated to be dry: nothing to run into if it is level there.
            _whole(state, c, TO_LEVEL if level and k == DRY_FLOOR else TO_UNKNOWN)
        else:
            state[c, LONGEST] = longest
            _mix(state, c, offset, distance, count, into, weight, near)
            if longest > max_run:
                state[c, LONGEST] = np.inf
                _beyond(state, c, max_run, near[c])


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _whole(state, c, outcome):  # type: ignore[no-untyped-def]
    """All of the flow of cell c, whose row is zero, has one outcome, with no hazard on the way."""
    state[c, outcome] = 1.0
    state[c, LENGTH] = np.inf
    state[c, HAZARD_Z] = np.nan


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _mix(state, c, offset, distance, count, into, weight, near):  # type: ignore[no-untyped-def]
    """Shares of cell c, whose row is zero, from those of its receivers, and the nearest of their hazards."""
    nearest = np.inf
    hazard_z = np.nan
    for m in range(count):
        r = c + offset[into[m]]
        for s in range(LENGTH):
            state[c, s] += weight[m] * state[r, s]
        length = state[r, LENGTH] + distance[into[m]]
        # Of two hazards equally far the lower one counts, so that ties do not depend on the order of neighbours.
        z = state[r, HAZARD_Z]
        if length < nearest or (length == nearest and (z < hazard_z or (z == hazard_z and near[r] < near[c]))):
            nearest = length
            hazard_z = z
            near[c] = near[r]
    state[c, LENGTH] = nearest
    state[c, HAZARD_Z] = hazard_z


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _beyond(state, c, max_run, kind):  # type: ignore[no-untyped-def]
    """A cell from which some path goes on for more than `max_run`: see `outcomes`."""
    for s in range(LENGTH):
        state[c, s] = 0.0
    if state[c, LENGTH] > max_run:
        _whole(state, c, TO_UNKNOWN)
    else:
        state[c, kind] = 1.0


def outcomes(
    w: Array,
    kind: Mask,
    gentle: Mask,
    friction: Array,
    dx: float,
    dy: float,
    landing_length: float,
    max_run: float,
    start: NDArray[np.bool_] | None = None,
    walk: Walk | None = None,
) -> Array:
    """Follow the ground down from every cell, in one pass from the lowest cell up.

    w: conditioned surface (rows, cols), m, NaN where missing. kind: PLAIN, WATER, ...; no cell on the border or beside
    a missing one may be PLAIN. gentle: 1 where the ground is no steeper than the landing slope. friction: (k,)
    coefficients of the reach test. start: cells that an answer is wanted for, all by default; cells that are not on
    their ways down are left out. walk: of the same ground and start, where one is at hand; it saves time.

    Returns (rows * cols, 11 + k): shares of the six outcomes; LENGTH, the least path length to the hazard (m) and
    HAZARD_Z its elevation there; LONGEST, the longest path to any end (m), inf beyond `max_run`; FLAT_RUN, the least
    length of gentle ground ahead (m); ANY_LENGTH, the least path length to a hazard across landings too; REACH + i, the
    least energy head (m) with which a machine arrives at a hazard under friction[i]. Lengths and heads are inf where
    there is no hazard.
    Rows of cells left out, and of missing ones, are zero: they have no share of any outcome.

    Where a path goes on for more than `max_run` (m) the shares would depend on ground beyond any fixed margin. There
    LONGEST is inf, and the flow counts as wholly above the nearest hazard if one lies within `max_run`, else as
    unknown.
    """
    # Large arrays come from numpy, and zeros cost nothing where they are not touched: first touches of memory would
    # cost more than the arithmetic.
    state = np.zeros((w.size, REACH + friction.size))
    near = np.zeros(w.size, np.uint8)
    if walk is None:
        walk = _walk(w, kind, dx, dy, np.ones(w.size, bool) if start is None else start.ravel())
    order, code, part = walk
    _outcomes(w, kind, gentle, friction, dx, dy, landing_length, max_run, order, code, part, near, state)
    return state


@njit(cache=True, nogil=True, error_model="numpy")
def _reached(w, kind, state, start, dx, dy, max_run, landing_length, order, code, part, budget):  # type: ignore[no-untyped-def]
    around = _around(w.shape[1], dx, dy)
    offset, distance = around[0], around[1]
    wf, kf = w.ravel(), kind.ravel()
    into = np.zeros(8, np.int64)
    weight = np.zeros(8)
    for at in range(order.size - 1, -1, -1):
        c = order[at]
        if start[c]:
            budget[c] = max_run
        if budget[c] <= 0.0 or not (kf[c] == PLAIN or kf[c] == DRY_FLOOR):
            continue
        if state[c, LONGEST] == 0.0 and state[c, TO_LEVEL] == 1.0:
            # What lies beyond a landing matters only as far as its length was measured.
            budget[c] = min(budget[c], landing_length)
        for m in range(_spread(wf, c, around, code[c], part[c], into, weight)):
            r = c + offset[into[m]]
            budget[r] = max(budget[r], budget[c] - distance[into[m]])


def reached(
    w: Array,
    kind: Mask,
    state: Array,
    dx: float,
    dy: float,
    landing_length: float,
    max_run: float,
    start: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Cells that the answer on the `start` cells rests on: those on their ways down, as far as `outcomes` looked.

    w, kind, dx, dy, max_run, landing_length: as given to `outcomes`; state: what it returned. (rows, cols) masks.
    """
    budget = np.zeros(w.size)
    wanted = start.ravel()
    order, code, part = _walk(w, kind, dx, dy, wanted)
    _reached(w, kind, state, wanted, dx, dy, max_run, landing_length, order, code, part, budget)
    return (budget > 0.0).reshape(w.shape)
