"""The highest ground of coarse cells, for questions about ground far round a place."""

import math
from collections import OrderedDict
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Bounds, Grid, Window
from slopekit.sources.elevation import Elevation

Array = NDArray[np.float64]

COARSE_M = 16.0
# Native cells that are read at once, and pieces that are kept for neighbours (some 30 kB each).
_CELLS = 1_000_000
_KEPT = 1000
_pieces: WeakKeyDictionary[Elevation, OrderedDict[tuple[int, int], Array]] = WeakKeyDictionary()


def coarse_grid(elevation: Elevation, bounds: Bounds) -> Grid:
    """Coarse cells of about `COARSE_M` that cover `bounds` (CRS units) and one more all around. They lie on a lattice
    fixed to the survey and hold whole working cells, so a place has the same cells whatever is asked for."""
    grid, size = elevation.survey.grid, _native(elevation)
    return grid.part(grid.covering(bounds, size, size)).coarser(size)


def highest(elevation: Elevation, coarse: Grid) -> Array:
    """The highest ground (m) of each cell of a `coarse_grid`, (rows, cols); NaN where all is missing.

    What is read is kept for neighbours. Raises InputError as `Elevation.read` does.
    """
    size = _native(elevation)
    row, col = (at // size for at in coarse.offset_on(elevation.survey.grid))
    top = np.empty(coarse.shape)
    side = _side(size)
    for i in range(row // side, (row + coarse.height - 1) // side + 1):
        for j in range(col // side, (col + coarse.width - 1) // side + 1):
            rows = slice(max(row, i * side), min(row + coarse.height, (i + 1) * side))
            cols = slice(max(col, j * side), min(col + coarse.width, (j + 1) * side))
            here = slice(rows.start - row, rows.stop - row), slice(cols.start - col, cols.stop - col)
            there = (
                slice(rows.start - i * side, rows.stop - i * side),
                slice(cols.start - j * side, cols.stop - j * side),
            )
            top[here] = _piece(elevation, i, j)[there]
    return top


def _native(elevation: Elevation) -> int:
    """Native cells along the side of a coarse one."""
    survey = elevation.survey
    cell_m = math.sqrt(survey.working.cell_m2)
    return survey.block * max(1, round(COARSE_M / cell_m))


def _side(size: int) -> int:
    """Coarse cells along the side of a piece."""
    return max(1, math.isqrt(_CELLS) // size)


def _piece(elevation: Elevation, i: int, j: int) -> Array:
    kept = _pieces.setdefault(elevation, OrderedDict())
    piece = kept.pop((i, j), None)
    if piece is None:
        piece = _read(elevation, i, j)
    kept[i, j] = piece
    if len(kept) > _KEPT:
        kept.popitem(last=False)
    return piece


def _read(elevation: Elevation, i: int, j: int) -> Array:
    size = _native(elevation)
    side = _side(size)
    grid, native = elevation.survey.grid, side * size
    window = Window(i * native, j * native, native, native)
    inside = grid.within(window)
    if inside.height <= 0 or inside.width <= 0:
        return np.full((side, side), np.nan)
    z = elevation.read(grid.part(window).bounds).z.reshape(side, size, side, size)
    top = np.where(np.isnan(z), -np.inf, z).max(axis=(1, 3))
    return np.where(np.isneginf(top), np.nan, top)
