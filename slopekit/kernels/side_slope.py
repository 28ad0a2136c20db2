"""Slope of the ground smoothed on its own side of drops: nothing is averaged across a wall or a void."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from slopekit.kernels import KEPT

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

_MOST = 0.4
"""Variance in squared cells that one round of averaging adds at most; up to 0.5 no weight is negative."""


def side_gradient(z: Array, edge: Bool, face: Bool, sheer: float, sigma: float, dx: float, dy: float) -> Array:
    """Magnitude of the gradient of z, averaged over ground of the same side as a Gaussian of `sigma` (m) would.

    z: (rows, cols), m, NaN missing. edge, face: upper cells of drops, and the cells of their faces. sheer: grade of a
    step from or to an edge that parts two sides. dx, dy: cell sides, m. NaN on faces, on missing ground and where a
    cell has no neighbour on its side.

    The differences to the neighbours of the same side are averaged round by round over those neighbours (explicit
    diffusion), so a plane keeps its slope right up to a wall. Away from drops it is the gradient of the surface
    smoothed by the Gaussian.
    """
    right, down = _links(z, edge, face, sheer, dx, dy)
    rounds = max(1, math.ceil(sigma * sigma / (_MOST * min(dx, dy) ** 2) - 1e-9))
    share_x, share_y = (sigma * sigma / (2.0 * rounds * side * side) for side in (dx, dy))
    out = []
    for p, weight in (_differences(z, right, 0, 1, dx), _differences(z, down, 1, 0, dy)):
        for _ in range(rounds):
            p, weight = _averaged(p, right, down, share_x, share_y), _averaged(weight, right, down, share_x, share_y)
        with np.errstate(invalid="ignore", divide="ignore"):
            out.append(p / weight)
    found = np.hypot(*out)
    found[face | np.isnan(z)] = np.nan
    return found


@njit(cache=KEPT, nogil=True)
def _links(z: Array, edge: Bool, face: Bool, sheer: float, dx: float, dy: float) -> tuple[Bool, Bool]:
    """Whether each cell and its right neighbour, and each cell and the one below, lie on one side."""
    rows, cols = z.shape
    right, down = np.zeros((rows, cols), np.bool_), np.zeros((rows, cols), np.bool_)
    for i in range(rows):
        for j in range(cols):
            if face[i, j] or math.isnan(z[i, j]):
                continue
            if j + 1 < cols and not face[i, j + 1] and not math.isnan(z[i, j + 1]):
                part = (edge[i, j] or edge[i, j + 1]) and abs(z[i, j + 1] - z[i, j]) >= sheer * dx
                right[i, j] = not part
            if i + 1 < rows and not face[i + 1, j] and not math.isnan(z[i + 1, j]):
                part = (edge[i, j] or edge[i + 1, j]) and abs(z[i + 1, j] - z[i, j]) >= sheer * dy
                down[i, j] = not part
    return right, down


@njit(cache=KEPT, nogil=True)
def _differences(z: Array, link: Bool, down: int, right: int, side: float) -> tuple[Array, Array]:
    """Mean of the differences along the links on both sides of a cell, and 1; 0 and 0 where it has none."""
    rows, cols = z.shape
    out, weight = np.zeros((rows, cols)), np.zeros((rows, cols))
    for i in range(rows):
        for j in range(cols):
            before = i >= down and j >= right and link[i - down, j - right]
            after = link[i, j]
            if before and after:
                out[i, j] = (z[i + down, j + right] - z[i - down, j - right]) / (2.0 * side)
            elif after:
                out[i, j] = (z[i + down, j + right] - z[i, j]) / side
            elif before:
                out[i, j] = (z[i, j] - z[i - down, j - right]) / side
            if before or after:
                weight[i, j] = 1.0
    return out, weight


@njit(cache=KEPT, nogil=True)
def _averaged(values: Array, right: Bool, down: Bool, share_x: float, share_y: float) -> Array:
    rows, cols = values.shape
    out = np.empty((rows, cols))
    for i in range(rows):
        for j in range(cols):
            here = values[i, j]
            west = values[i, j - 1] - here if j > 0 and right[i, j - 1] else 0.0
            east = values[i, j + 1] - here if right[i, j] else 0.0
            north = values[i - 1, j] - here if i > 0 and down[i - 1, j] else 0.0
            south = values[i + 1, j] - here if down[i, j] else 0.0
            out[i, j] = here + (share_x * (west + east) + share_y * (north + south))
    return out
