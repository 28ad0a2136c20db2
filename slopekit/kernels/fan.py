"""Ground from which some way down comes to a hazard, where a machine need not follow the steepest way."""

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.kernels import KEPT
from slopekit.kernels.descent import CUT, DROP, DRY_FLOOR, FLOOR, HAZARD, PLAIN, WATER, Walk
from slopekit.kernels.receivers import CARD, DI, DIAG, DJ, FACET, NONE, neighbourhood, steepest

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
Mask = NDArray[np.uint8]

# cos^2 may miss its bound by rounding: a step that is off by just the half angle belongs to the fan.
_ROUNDING = 1e-12
# Columns of the state: least length to a hazard, its elevation, longest path, least run of gentle ground ahead, m.
_LENGTH, _HAZARD_Z, _LONGEST, _FLAT = range(4)


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _beside(x, y, nx, ny, bound):  # type: ignore[no-untyped-def]
    """Bits of the neighbours whose direction is within the half angle of the direction (x, y)."""
    bits = 0
    steep = x * x + y * y
    for k in range(8):
        dot = x * nx[k] + y * ny[k]
        if dot >= 0.0 and dot * dot >= bound[k] * steep:
            bits |= 1 << k
    return bits


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _of_facet(w, c, f, offset, inverse, nx, ny, bound):  # type: ignore[no-untyped-def]
    """Bits of the neighbours within the half angle of the steepest direction of facet f, and the two of the facet."""
    a, d = CARD[f], DIAG[f]
    t1 = (w[c] - w[c + offset[a]]) * inverse[a]
    t2 = (w[c + offset[a]] - w[c + offset[d]]) * inverse[(a + 2) % 8]
    # One side of a facet runs along the rows, the other along the columns.
    if DI[a] == 0:
        x, y = t1 * DJ[a], t2 * DI[d]
    else:
        x, y = t2 * DJ[d], t1 * DI[a]
    return _beside(x, y, nx, ny, bound) | 1 << a | 1 << d


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _of_ties(w, c, around, nx, ny, bound, beside):  # type: ignore[no-untyped-def]
    """The same where several ways down are equally steep, whichever they are."""
    # The walk is that of `receivers`: as a function of both it took a sixth more time on real ground.
    offset, distance, inverse, _ = around
    best = 0.0
    bits = 0
    for s in range(16):
        if s < FACET:
            fall = (w[c] - w[c + offset[s]]) * inverse[s]
            steep = fall * fall if fall > 0.0 else 0.0
        else:
            a, d = CARD[s - FACET], DIAG[s - FACET]
            t1 = (w[c] - w[c + offset[a]]) * inverse[a]
            t2 = (w[c + offset[a]] - w[c + offset[d]]) * inverse[(a + 2) % 8]
            if t1 <= 0.0 or t2 <= 0.0 or t2 * distance[a] >= t1 * distance[(a + 2) % 8]:
                continue
            steep = t1 * t1 + t2 * t2
        if steep == 0.0 or steep < best:
            continue
        if steep > best:
            best, bits = steep, 0
        bits |= beside[s] if s < FACET else _of_facet(w, c, s - FACET, offset, inverse, nx, ny, bound)
    return bits


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _members(w, c, found, around, nx, ny, bound, beside):  # type: ignore[no-untyped-def]
    """Bits of the neighbours that the fan of cell c (not on the border), with receiver code `found`, leads to."""
    if found == NONE:
        return 0
    offset, _, inverse, _ = around
    if found < FACET:
        bits = beside[found]
    elif found < NONE:
        bits = _of_facet(w, c, found - FACET, offset, inverse, nx, ny, bound)
    else:
        bits = _of_ties(w, c, around, nx, ny, bound, beside)
    for k in range(8):
        if not w[c + offset[k]] < w[c]:
            bits &= ~(1 << k)
    return bits


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _exposed(w, kind, gentle, dx, dy, landing, max_run, least, start, code, part, seen, bits, path, near, state, order):  # type: ignore[no-untyped-def]
    """Fill `bits`, `near`, `state` and the front of `order`, every cell after those that its fan leads to."""
    around = neighbourhood(w.shape[1], dx, dy)
    offset, distance = around[0], around[1]
    wf, kf, gf = w.ravel(), kind.ravel(), gentle.ravel()
    # As in `descent`: a length that equals its bound to the last digits has reached it.
    landing *= 1.0 - 1e-9
    max_run *= 1.0 + 1e-9
    nx, ny = np.empty(8), np.empty(8)
    for k in range(8):
        nx[k], ny[k] = DJ[k] * dx, DI[k] * dy
    bound = least * (nx * nx + ny * ny)
    beside, first_bit = np.empty(8, np.int64), np.zeros(256, np.int64)
    for k in range(8):
        beside[k] = _beside(nx[k], ny[k], nx, ny, bound)
        first_bit[1 << k :: 2 << k] = k
    grade, across = np.empty(8), np.empty(8)
    listed = 0
    # `path` leads to the cell in hand, one in two entries the neighbours that are left to go to.
    for first in range(wf.size):
        if not start[first] or seen[first] != 0 or wf[first] != wf[first]:
            continue
        top = 0
        path[0, 0] = first
        while top >= 0:
            c = path[top, 0]
            if seen[c] == 0:
                seen[c] = 1
                k = kf[c]
                path[top, 1] = 0
                if k in (PLAIN, DRY_FLOOR, FLOOR):
                    code[c], part[c] = steepest(wf, c, around, grade, across)
                    path[top, 1] = _members(wf, c, code[c], around, nx, ny, bound, beside)
                    # Paths end on a floor, but the lengths across it are wanted too.
                    bits[c] = path[top, 1] if k != FLOOR else 0
                if k in (WATER, DROP, HAZARD):
                    near[c] = k
                    state[c, _HAZARD_Z] = wf[c]
                elif bits[c] == 0:
                    state[c, _LENGTH], state[c, _HAZARD_Z] = np.inf, np.nan
                if k == CUT:
                    state[c, _LONGEST] = np.inf
            left = path[top, 1]
            if left != 0:
                path[top, 1] = left & (left - 1)
                r = c + offset[first_bit[left]]
                if seen[r] == 0:
                    top += 1
                    path[top, 0] = r
                continue
            top -= 1
            order[listed] = c
            listed += 1
            if bits[c] == 0:
                continue
            least_way, far, run, z = np.inf, 0.0, np.inf, np.nan
            ahead = np.int64(bits[c])
            while ahead:
                k = first_bit[ahead]
                ahead &= ahead - 1
                r = c + offset[k]
                far = max(far, state[r, _LONGEST] + distance[k])
                run = min(run, state[r, _FLAT] + distance[k])
                length, low = state[r, _LENGTH] + distance[k], state[r, _HAZARD_Z]
                # Of two hazards equally far the lower one, then the graver, so that the order of cells does not choose.
                if length < least_way or (length == least_way and (low < z or (low == z and 0 < near[r] < near[c]))):
                    least_way, z = length, low
                    near[c] = near[r]
            level = gf[c] != 0
            if level:
                state[c, _FLAT] = run
            if level and run >= landing:
                least_way = np.inf
            else:
                state[c, _LONGEST] = far if far <= max_run else np.inf
            if least_way > max_run:
                least_way, z = np.inf, np.nan
                near[c] = PLAIN
            state[c, _LENGTH], state[c, _HAZARD_Z] = least_way, z
    return listed


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _reached(kind, bits, state, start, dx, dy, max_run, landing, order, budget):  # type: ignore[no-untyped-def]
    offset, distance, _, _ = neighbourhood(kind.shape[1], dx, dy)
    for at in range(order.size - 1, -1, -1):
        c = order[at]
        if start[c]:
            budget[c] = max_run
        if budget[c] <= 0.0 or bits[c] == 0:
            continue
        if state[c, _LONGEST] == 0.0:
            # What lies beyond a landing matters only as far as its length was measured.
            budget[c] = min(budget[c], landing)
        for k in range(8):
            if bits[c] >> k & 1:
                r = c + offset[k]
                budget[r] = max(budget[r], budget[c] - distance[k])


class Fan(NamedTuple):
    """Arrays (rows, cols). Cells that were left out have no hazard, length inf and longest 0."""

    kind: Mask
    """Kind of the nearest hazard that some path reaches within the longest run, before a landing; 0 for none."""
    length: Array
    """Least length of such a path, m; inf where there is none."""
    hazard_z: Array
    """Elevation of that hazard, m; NaN where there is none."""
    longest: Array
    """Longest path of the fan to any end, m; inf beyond the longest run."""
    walk: Walk
    """For `descent.outcomes`: the fan holds the receivers."""

    @property
    def exposed(self) -> Bool:
        """Ground from which some path of the fan reaches a hazard, and hazards."""
        return self.kind != PLAIN


def _trace(w, kind, gentle, dx, dy, landing_length, max_run, half_angle_deg, start):  # type: ignore[no-untyped-def]
    if not 0.0 <= half_angle_deg <= 90.0:
        raise InputError(f"The half angle of the fan is {half_angle_deg:g} degrees; give one from 0 to 90.")
    n = w.size
    # Rows that stay zero are not written, and fresh zeros cost nothing until they are touched.
    seen, bits, near = np.zeros(n, np.uint8), np.zeros(n, np.uint8), np.zeros(n, np.uint8)
    path, order, state = np.empty((n, 2), np.int32), np.empty(n, np.int32), np.zeros((n, 4))
    code, part = np.zeros(n, np.uint8), np.zeros(n)
    least = max(0.0, math.cos(math.radians(half_angle_deg)) ** 2 - _ROUNDING)
    listed = _exposed(
        w, kind, gentle, dx, dy, landing_length, max_run, least, start, code, part, seen, bits, path, near, state, order
    )
    return seen, bits, near, state, Walk(order[:listed], code, part)


def exposed(
    w: Array,
    kind: Mask,
    gentle: Mask,
    dx: float,
    dy: float,
    landing_length: float,
    max_run: float,
    half_angle_deg: float = 45.0,
    start: Bool | None = None,
) -> Fan:
    """Ground from which any path of a fan reaches water, a drop or another hazard before a landing.

    Each step of a path goes to a neighbour that is strictly lower, in a direction within `half_angle_deg` (0 to 90) of
    the cell's steepest one: the D-infinity direction (Tarboton 1997), or any of several that are equally steep. The
    D-infinity receivers belong to the fan whatever the angle, so shares of `descent.outcomes` never find more.
    A cell is a landing where every path of the fan has crossed `landing_length` (m) of consecutive gentle ground.

    w, kind, gentle, landing_length, max_run (m), start: as in `descent.outcomes`. A path ends at a hazard, at
    a landing, on a FLOOR, at a MISSING or a CUT cell and where nothing near is lower. Hazards are exposed themselves.
    The answer rests on ground within max_run + landing_length only: a path that is longer counts for nothing but
    `Fan.longest`.
    """
    wanted = np.ones(w.size, bool) if start is None else start.ravel()
    seen, _, near, state, walk = _trace(w, kind, gentle, dx, dy, landing_length, max_run, half_angle_deg, wanted)
    none = seen == 0
    state[none, _LENGTH] = np.inf
    state[none, _HAZARD_Z] = np.nan
    # Copies: the table itself need not outlive this call.
    length, hazard_z, longest = (state[:, k].reshape(w.shape).copy() for k in (_LENGTH, _HAZARD_Z, _LONGEST))
    return Fan(near.reshape(w.shape), length, hazard_z, longest, walk)


def reached(
    w: Array,
    kind: Mask,
    gentle: Mask,
    dx: float,
    dy: float,
    landing_length: float,
    max_run: float,
    half_angle_deg: float,
    start: Bool,
) -> Bool:
    """Cells (rows, cols) that the answer of `exposed` on the `start` cells rests on: those on their ways down, as far
    as it looked. Arguments as there."""
    wanted = start.ravel()
    _, bits, _, state, walk = _trace(w, kind, gentle, dx, dy, landing_length, max_run, half_angle_deg, wanted)
    budget = np.zeros(w.size)
    _reached(kind, bits, state, wanted, dx, dy, max_run, landing_length, walk.order, budget)
    return (budget > 0.0).reshape(w.shape)
