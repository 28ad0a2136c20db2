"""Topographic wetness of a part of a window, and what of it a wider window could change."""

import math

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Grid, Window
from slopekit.kernels.patches import with_neighbours
from slopekit.kernels.wetness import contributing_area, wetness_index
from slopekit.terrain.conditioning import conditioned
from slopekit.terrain.settings import TerrainSettings
from slopekit.terrain.surface import Surface, gradient_in

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


def wetness(top: Surface, view: Window, length_m: float, settings: TerrainSettings) -> Array:
    """Wetness index (see `kernels.wetness`) of the cells of `view`, (rows, cols) of the view.

    top: surface of the window, whose shallow hollows are filled for it. Ground up to `length_m` uphill counts. NaN
    where the slope is not known, or where a missing cell, one in a hollow that the window's border cuts, or one on that
    border lies so that it may drain to the cell within that length.
    """
    w, cut = conditioned(top.z, top.grid.cell_m2, settings)
    outer, inner = _around(top.grid, view, length_m)
    unknown = with_neighbours(np.isnan(top.z[outer]) | cut[outer])
    area = contributing_area(w[outer], unknown, top.grid.dx, top.grid.dy, _steps(top.grid, length_m))
    p, q = gradient_in(top, view, settings)
    return wetness_index(area[inner], np.hypot(p, q), top.grid.dx, top.grid.dy)


def is_wet(index: Array, least: float) -> Bool:
    """Where the index is `least` or more. An index that is not known counts as wet."""
    return ~(index < least)


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
