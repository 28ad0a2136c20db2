"""Topographic wetness of a part of a window, and what of it a wider window could change."""

import math

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Grid, Window
from slopekit.kernels.patches import with_neighbours
from slopekit.kernels.wetness import contributing_area, wetness_index
from slopekit.terrain.settings import TerrainSettings
from slopekit.terrain.surface import Surface, gradient_in

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


def wetness(top: Surface, w: Array, doubtful: Bool, view: Window, length_m: float, settings: TerrainSettings) -> Array:
    """Wetness index (see `kernels.wetness`) of the cells of `view`, (rows, cols) of the view.

    top, w: surface of the window and the same conditioned. doubtful: cells whose level a wider window may show
    otherwise. Ground up to `length_m` uphill counts. NaN where the slope is not known, or where a missing or doubtful
    cell, or one on the window's border, lies so that it may drain to the cell within that length.
    """
    outer, inner = _around(top.grid, view, length_m)
    unknown = with_neighbours(np.isnan(top.z[outer]) | doubtful[outer])
    area = _area(top.grid, w[outer], unknown, length_m)
    p, q = gradient_in(top, view, settings)
    return wetness_index(area[inner], np.hypot(p, q), top.grid.dx, top.grid.dy)


def in_doubt(top: Surface, w: Array, doubtful: Bool, view: Window, length_m: float) -> tuple[Bool, Bool]:
    """The cells of `view` whose index the `doubtful` cells alone keep unknown, (rows, cols) of the view; and the
    doubtful cells so near that they may be those, (rows, cols) of the window."""
    outer, inner = _around(top.grid, view, length_m)
    near = np.zeros(doubtful.shape, bool)
    near[outer] = doubtful[outer]
    if not near.any():
        return np.zeros((view.height, view.width), bool), near
    return np.isnan(_area(top.grid, w[outer], with_neighbours(doubtful[outer]), length_m))[inner], near


def is_wet(index: Array, least: float) -> Bool:
    """Where the index is `least` or more. An index that is not known counts as wet."""
    return ~(index < least)


def _area(grid: Grid, w: Array, unknown: Bool, length_m: float) -> Array:
    return contributing_area(w, unknown, grid.dx, grid.dy, _steps(grid, length_m))


def _steps(grid: Grid, length_m: float) -> int:
    """Steps of which no chain is longer than `length_m`: the longest step is the diagonal."""
    # A length of just so many diagonals must not lose one through rounding.
    return math.floor(length_m / math.hypot(grid.dx, grid.dy) + 1e-9)


def _around(grid: Grid, view: Window, length_m: float) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Slices of the window that hold all that the index on `view` rests on, and those of the view within them."""
    # Two more than the steps: the flow of the outermost cells is not known, nor what it brings to their neighbours.
    pad = _steps(grid, length_m) + 2
    row, col = max(0, view.row - pad), max(0, view.col - pad)
    outer = slice(row, view.row + view.height + pad), slice(col, view.col + view.width + pad)
    top, left = view.row - row, view.col - col
    return outer, (slice(top, top + view.height), slice(left, left + view.width))
