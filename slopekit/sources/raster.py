"""Polygons to cells and cells to polygons, so that nobody else needs the raster library for it."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import rasterio
import rasterio.features
import shapely
from rasterio.transform import Affine

from slopekit.grid import Grid, Window
from slopekit.sources.layers import Layer
from slopekit.sources.mosaic import GDAL_OPTIONS

# Part of a cell. Whether a shape that ends on a cell edge touches the cell beyond would be left to rounding, and so to
# the window. So lines grow by this before every cell that they touch is marked, and polygons shrink.
_HAIR = 1e-3
_RIM = 1e-6  # part of a cell that may hold a sliver by rounding


def session() -> rasterio.Env:
    """A context in which the functions here start faster: without it each call sets the raster library up anew."""
    return rasterio.Env(**GDAL_OPTIONS)


def rasterize(
    geometries: Iterable[shapely.Geometry], grid: Grid, *, all_touched: bool = False
) -> npt.NDArray[np.bool_]:
    """Cells of `grid` that geometries in its CRS cover: cell centre inside, or any part touched with `all_touched`.

    A polygon that only meets a cell's edge does not touch it; a line along an edge touches the cells on both sides.
    Returns a bool array of the grid's shape, all False for no geometries. Empty geometries cover nothing.
    """
    shapes = [g for g in geometries if g is not None and not g.is_empty]
    if all_touched:
        hair = _HAIR * min(grid.step_x, grid.step_y)
        less = shapely.buffer(shapes, -hair)  # empty for points and lines, and for polygons thinner than a hair
        more = shapely.buffer(shapes, hair)
        shapes = list(np.where(shapely.is_empty(less), more, less))
    return _mark(shapes, grid, all_touched)


def rasterize_layer(layer: Layer | None, grid: Grid, *, all_touched: bool = False) -> npt.NDArray[np.bool_]:
    """Cells of `grid` that a layer of the user's covers (see `rasterize`); none where it was not given."""
    return rasterize([] if layer is None else [g for g, _ in layer.within(grid.bounds)], grid, all_touched=all_touched)


def shared(region: shapely.Geometry, grid: Grid) -> npt.NDArray[np.bool_]:
    """Cells of `grid` that share area with a polygon in its CRS, exactly: one that only touches it does not."""
    hair = _HAIR * min(grid.step_x, grid.step_y)
    out = _mark([region.buffer(hair)], grid, True)
    row, col = np.nonzero(out & _mark([region.boundary.buffer(hair)], grid, True))
    # A cell shares area where the polygon meets its inside; to meet is found far faster than how much is shared.
    west, north = grid.west + (col + _RIM) * grid.step_x, grid.north - (row + _RIM) * grid.step_y
    width, height = (1.0 - 2.0 * _RIM) * grid.step_x, (1.0 - 2.0 * _RIM) * grid.step_y
    shapely.prepare(region)
    out[row, col] = shapely.intersects(region, shapely.box(west, north - height, west + width, north))
    return out


def _mark(shapes: list[shapely.Geometry], grid: Grid, all_touched: bool) -> npt.NDArray[np.bool_]:
    out = np.zeros(grid.shape, dtype=bool)
    shapes = [g for g in shapes if not g.is_empty]
    if not shapes:
        return out
    # Only the part that the shapes can reach: a window may be far larger.
    reach = grid.covering(tuple(shapely.total_bounds(shapes)), 1)
    row, col = max(0, reach.row), max(0, reach.col)
    height = min(grid.height, reach.row + reach.height) - row
    width = min(grid.width, reach.col + reach.width) - col
    if height <= 0 or width <= 0:
        return out
    part = Window(row, col, height, width)
    cells = rasterio.features.rasterize(
        shapes,
        out_shape=(height, width),
        transform=Affine(*grid.part(part).affine),
        all_touched=all_touched,
        dtype="uint8",
    )
    out[part.slices] = cells != 0
    return out


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
