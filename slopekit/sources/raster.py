"""Polygons to cells and cells to polygons, so that nobody else needs the raster library for it."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import rasterio.features
import shapely
from rasterio.transform import Affine

from slopekit.grid import Grid


def burn(geometries: Iterable[shapely.Geometry], grid: Grid, *, all_touched: bool = False) -> npt.NDArray[np.bool_]:
    """Cells of `grid` that geometries in its CRS cover: cell centre inside, or any part touched with `all_touched`.

    Returns a bool array of the grid's shape, all False for no geometries. Empty geometries cover nothing.
    """
    shapes = [g for g in geometries if g is not None and not g.is_empty]
    if not shapes or not grid.height or not grid.width:
        return np.zeros(grid.shape, dtype=bool)
    cells = rasterio.features.rasterize(
        shapes, out_shape=grid.shape, transform=Affine(*grid.affine), all_touched=all_touched, dtype="uint8"
    )
    return cells.astype(bool)


def outlines(labels: npt.NDArray[np.int32], grid: Grid) -> tuple[list[shapely.Polygon], list[int]]:
    """Outline of every 4-connected patch of equal label along the cell edges, and its label. Label 0 is skipped.

    `labels` has the grid's shape. A label of several separate patches gives several polygons. Collinear vertices are
    dropped, so neighbours may lack each other's corners: densify before treating the result as a coverage.
    """
    values = np.ascontiguousarray(labels, dtype=np.int32)
    patches = rasterio.features.shapes(values, mask=values != 0, connectivity=4, transform=Affine(*grid.affine))
    polygons, names = [], []
    for shape, label in patches:
        shell, *holes = shape["coordinates"]
        polygons.append(shapely.Polygon(shell, holes))
        names.append(int(label))
    return polygons, names
