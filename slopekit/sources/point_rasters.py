"""The rasters of a folder of points on the cells of a survey."""

import math
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.windows import Window as Cut

from slopekit.errors import InputError
from slopekit.grid import Grid
from slopekit.sources.units_of import same_crs
from slopekit.sources.warp import transformer

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_BESIDE_M = 1.5


def values_at(path: Path, grid: Grid) -> Array:
    """On the cells of `grid`, in any CRS, the value (rows, cols) of the raster's cell in which their middle lies; NaN
    beyond it and where it has none. Raises InputError where the raster cannot be read."""
    x, y = np.meshgrid(
        grid.west + (np.arange(grid.width) + 0.5) * grid.step_x,
        grid.north - (np.arange(grid.height) + 0.5) * grid.step_y,
    )
    try:
        with rasterio.open(path) as file:
            crs = file.crs.to_wkt()
            if not same_crs(crs, grid.crs):
                x, y = transformer(grid.crs, crs).transform(x, y)
            at = file.transform
            col, row = np.floor((x - at.c) / at.a), np.floor((y - at.f) / at.e)
            # A middle without a place in that CRS lies beyond it.
            inside = (col >= 0) & (row >= 0) & (col < file.width) & (row < file.height)
            out = np.full(grid.shape, np.nan)
            if inside.any():
                rows, cols = row[inside].astype(int), col[inside].astype(int)
                cut = Cut(cols.min(), rows.min(), np.ptp(cols) + 1, np.ptp(rows) + 1)
                cells = file.read(1, window=cut, masked=True).astype(np.float64).filled(np.nan)
                out[inside] = cells[rows - rows.min(), cols - cols.min()]
            return out
    except (RasterioError, AttributeError) as error:
        raise InputError(f"{path}: this cannot be read, so make the folder of points anew.") from error


def bound_on(steps: Path, grid: Grid) -> Array:
    """On the cells of `grid`, on the raster's CRS, what no step within some 2 m is higher than (m): the highest of the
    raster's cells that a cell meets, and of those beside them, NaN where one of them tells nothing. A window of points
    tells of steps near its middle only, and the grid may show a wall beside its place. Raises InputError where
    the raster cannot be read."""
    try:
        with rasterio.open(steps) as file:
            a, e, west, north = file.transform.a, file.transform.e, file.transform.c, file.transform.f
            hair = 1e-6
            left = np.floor((grid.west + np.arange(grid.width) * grid.step_x - west) / a + hair).astype(int)
            right = np.ceil((grid.west + (np.arange(grid.width) + 1) * grid.step_x - west) / a - hair).astype(int)
            top = np.floor((grid.north - np.arange(grid.height) * grid.step_y - north) / e + hair).astype(int)
            base = np.ceil((grid.north - (np.arange(grid.height) + 1) * grid.step_y - north) / e - hair).astype(int)
            beside = math.ceil(_BESIDE_M / (a * grid.metres_per_unit) - 0.5)
            left, top, right, base = left - beside, top - beside, right + beside, base + beside
            cut = Cut(int(left[0]), int(top[0]), int(right[-1] - left[0]), int(base[-1] - top[0]))
            cells = file.read(1, window=cut, boundless=True, fill_value=np.nan).astype(np.float64)
    except RasterioError as error:
        raise InputError(f"{steps}: this cannot be read, so make the folder of points anew.") from error
    cells = _highest(cells, top - top[0], base - top[0], 0)
    return _highest(cells, left - left[0], right - left[0], 1)


def _highest(cells: Array, first: Ints, end: Ints, axis: int) -> Array:
    """Along an axis, the highest of the cells from each `first` up to its `end`; NaN where one is NaN."""
    out = np.take(cells, first, axis=axis)
    for more in range(1, int((end - first).max())):
        at = np.minimum(first + more, end - 1)
        out = np.maximum(out, np.take(cells, at, axis=axis))
    return out
