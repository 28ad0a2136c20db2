"""Where ground runs down to: one pass over the cells from the lowest up."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT
from slopekit.kernels.receivers import CARD, DIAG, FACET, NONE, TIE, neighbourhood, spread, steepest

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

# What a cell is, before tracing.
PLAIN, WATER, DROP, HAZARD, MISSING, FLOOR, DRY_FLOOR, CUT = range(8)
# Outcomes, in the order of the share columns.
OUTCOMES = ("water", "drop", "hazard", "level", "basin", "unknown")
TO_WATER, TO_DROP, TO_HAZARD, TO_LEVEL, TO_BASIN, TO_UNKNOWN = range(6)
# Columns of the result after the six shares.
LENGTH, HAZARD_Z, LONGEST, FLAT_RUN, ANY_LENGTH, REACH = range(6, 12)


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
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


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _lower_first(w, kind, dx, dy, start, code, part):  # type: ignore[no-untyped-def]
    """Flat indices of the cells on the ways down from the `start` cells, every cell after those it flows to.

    Fills `code` and `part` of these cells. Neighbours in the list are neighbours on the ground, which keeps the pass in
    cache; an order by elevation does not.
    """
    around = neighbourhood(w.shape[1], dx, dy)
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
                code[c], part[c] = steepest(w, c, around, grade, across)
                found = code[c]
                if found < FACET:
                    top = _wait(seen, waiting, top, c + offset[found])
                elif found < NONE:
                    top = _wait(seen, waiting, top, c + offset[CARD[found - FACET]])
                    top = _wait(seen, waiting, top, c + offset[DIAG[found - FACET]])
                elif found == TIE:
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


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _outcomes(w, kind, gentle, friction, dx, dy, landing_length, max_run, order, code, part, near, state):  # type: ignore[no-untyped-def]
    cols = w.shape[1]
    wf, kf, gf = w.ravel(), kind.ravel(), gentle.ravel()
    last = state.shape[1]
    around = neighbourhood(cols, dx, dy)
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
        count = spread(wf, c, around, code[c], part[c], into, weight)
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


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _whole(state, c, outcome):  # type: ignore[no-untyped-def]
    """All of the flow of cell c, whose row is zero, has one outcome, with no hazard on the way."""
    state[c, outcome] = 1.0
    state[c, LENGTH] = np.inf
    state[c, HAZARD_Z] = np.nan


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
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


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
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


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _reached(w, kind, state, start, dx, dy, max_run, landing_length, order, code, part, budget):  # type: ignore[no-untyped-def]
    around = neighbourhood(w.shape[1], dx, dy)
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
        for m in range(spread(wf, c, around, code[c], part[c], into, weight)):
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
