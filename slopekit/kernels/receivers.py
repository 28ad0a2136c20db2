"""Which neighbours the ground at a cell runs down to: D-infinity receivers (Tarboton 1997)."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]

# Neighbours counter-clockwise from east; even ones are cardinal. Facet f lies between cardinal CARD[f] and diagonal
# DIAG[f].
DI = (0, -1, -1, -1, 0, 1, 1, 1)
DJ = (1, 1, 0, -1, -1, -1, 0, 1)
NEIGHBOURS = tuple(zip(DI, DJ, strict=True))
CARD = np.array([0, 2, 2, 4, 4, 6, 6, 0])
DIAG = np.array([1, 1, 3, 3, 5, 5, 7, 7])
# A receiver code below 8 is one neighbour; below 16 a facet; then none, or several that are equally steep.
FACET, NONE, TIE = 8, 16, 17


@njit(cache=KEPT, nogil=True, error_model="numpy")
def neighbourhood(cols, dx, dy):  # type: ignore[no-untyped-def]
    """Of the eight neighbours: offset in the flat array, distance (m), its reciprocal, and for cardinal ones the angle
    between them and the diagonal beside."""
    offset = np.empty(8, np.int64)
    distance = np.empty(8)
    for k in range(8):
        offset[k] = DI[k] * cols + DJ[k]
        distance[k] = math.hypot(DI[k] * dy, DJ[k] * dx)
    angle = np.empty(8)
    for k in range(8):
        angle[k] = math.atan2(distance[(k + 2) % 8], distance[k])
    return offset, distance, 1.0 / distance, angle


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def _falls(w, c, offset, inverse, grade, across):  # type: ignore[no-untyped-def]
    """Fill `grade` (8) with the falls per metre to the neighbours of c and `across` (8) with those along the facets."""
    for k in range(8):
        grade[k] = (w[c] - w[c + offset[k]]) * inverse[k]
    for f in range(8):
        a = CARD[f]
        across[f] = (w[c + offset[a]] - w[c + offset[DIAG[f]]]) * inverse[(a + 2) % 8]


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def steepest(w, c, around, grade, across):  # type: ignore[no-untyped-def]
    """Receiver code of cell c (not on the border) and the part of the flow that the diagonal of a facet takes."""
    offset, distance, inverse, angle = around
    _falls(w, c, offset, inverse, grade, across)
    best = 0.0
    found = NONE
    for k in range(8):
        if grade[k] > best:
            best, found = grade[k], k
        elif grade[k] == best and best > 0.0:
            found = TIE
    best *= best
    part = 0.0
    for f in range(8):
        a = CARD[f]
        t1, t2 = grade[a], across[f]
        if t1 > 0.0 and t2 > 0.0 and t2 * distance[a] < t1 * distance[(a + 2) % 8]:
            steep = t1 * t1 + t2 * t2
            if steep > best:
                best, found = steep, FACET + f
                part = t2 / t1
            elif steep == best:
                found = TIE
    if FACET <= found < NONE:
        part = math.atan(part) / angle[CARD[found - FACET]]
    return found, part


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _ties(w, c, around, into, weight):  # type: ignore[no-untyped-def]
    """Receivers where several paths down are equally steep: they share the flow, so turning a grid changes nothing."""
    offset, distance, inverse, angle = around
    for k in range(8):
        weight[k] = 0.0
    best = 0.0
    ways = 0
    for s in range(16):
        if s < FACET:
            a = b = s
            fall = (w[c] - w[c + offset[a]]) * inverse[a]
            steep = fall * fall if fall > 0.0 else 0.0
            part = 0.0
        else:
            a, b = CARD[s - FACET], DIAG[s - FACET]
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


@njit(cache=KEPT, nogil=True, error_model="numpy", inline="always")
def spread(w, c, around, code, part, into, weight):  # type: ignore[no-untyped-def]
    """Fill `into` with the directions (0 to 7) that cell c flows to and `weight` with their parts; return how many."""
    if code < FACET:
        into[0] = code
        weight[0] = 1.0
        return 1
    if code < NONE:
        into[0] = CARD[code - FACET]
        into[1] = DIAG[code - FACET]
        weight[0] = 1.0 - part
        weight[1] = part
        return 2
    if code == NONE:
        return 0
    return _ties(w, c, around, into, weight)


@njit(cache=KEPT, nogil=True, error_model="numpy")
def _receivers(w, dx, dy, out):  # type: ignore[no-untyped-def]
    rows, cols = w.shape
    wf = w.ravel()
    around = neighbourhood(cols, dx, dy)
    grade, across = np.empty(8), np.empty(8)
    weight = np.zeros(8)
    into = np.zeros(8, np.int64)
    for i in range(1, rows - 1):
        for c in range(i * cols + 1, (i + 1) * cols - 1):
            code, part = steepest(wf, c, around, grade, across)
            for m in range(spread(wf, c, around, code, part, into, weight)):
                out[c, into[m]] = weight[m]


def receivers(w: Array, dx: float, dy: float) -> Array:
    """Shares of each cell's flow to its neighbours E, NE, N, NW, W, SW, S, SE: (rows, cols, 8). Zero on the border."""
    out = np.zeros((w.size, 8))
    _receivers(w, dx, dy, out)
    return out.reshape(*w.shape, 8)
