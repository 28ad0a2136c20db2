"""Polygons to cells and cells to polygons, so that nobody else needs the raster library for it."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import rasterio
import rasterio.features
import shapely
from rasterio.transform import Affine

from slopekit.grid import Grid
from slopekit.sources.mosaic import GDAL_OPTIONS

HAIR = 1e-6
"""Part of a cell by which shapes grow before every cell that they touch is marked."""


def session() -> rasterio.Env:
    """A context in which the functions here start faster: without it each call sets the raster library up anew."""
    return rasterio.Env(**GDAL_OPTIONS)


def burn(geometries: Iterable[shapely.Geometry], grid: Grid, *, all_touched: bool = False) -> npt.NDArray[np.bool_]:
    """Cells of `grid` that geometries in its CRS cover: cell centre inside, or any part touched with `all_touched`.

    Returns a bool array of the grid's shape, all False for no geometries. Empty geometries cover nothing.
    """
    shapes = [g for g in geometries if g is not None and not g.is_empty]
    if not shapes or not grid.height or not grid.width:
        return np.zeros(grid.shape, dtype=bool)
    if all_touched:
        # Whether a shape that ends on a cell edge touches the cell beyond is left to rounding, and so to the window.
        shapes = list(shapely.buffer(shapes, HAIR * min(grid.step_x, grid.step_y)))
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
    rings: list[npt.NDArray[np.float64]] = []
    owner: list[int] = []
    hole: list[bool] = []
    names: list[int] = []
    for shape, label in patches:
        for number, ring in enumerate(shape["coordinates"]):
            rings.append(np.array(ring))
            owner.append(len(names))
            hole.append(number > 0)
        names.append(int(label))
    if not rings:
        return [], []
    # All rings at once: one constructor call for each would take longer than finding them.
    index = np.repeat(np.arange(len(rings)), [len(ring) for ring in rings])
    lines = shapely.linearrings(np.concatenate(rings), indices=index)
    inner = np.array(hole)
    polygons = shapely.polygons(lines[~inner])
    if inner.any():
        of = np.array(owner)
        with_holes = np.unique(of[inner])
        place = np.searchsorted(with_holes, of[inner])
        polygons[with_holes] = shapely.polygons(lines[~inner][with_holes], holes=_by_owner(lines[inner], place))
    return list(polygons), names


def _by_owner(rings: npt.NDArray[np.object_], owner: npt.NDArray[np.int64]) -> npt.NDArray[np.object_]:
    """Rings in one row for each owner, in order, filled up with None. `owner` counts from 0 and leaves none out."""
    order = np.argsort(owner, kind="stable")
    counts = np.bincount(owner)
    column = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    out = np.full((len(counts), counts.max()), None, dtype=object)
    out[owner[order], column] = rings[order]
    return out
