"""Polygons of the output rows, cut by the parcel."""

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.grid import Grid
from slopekit.sources.raster import outlines


def row_shapes(row: NDArray[np.int32], count: int, region: shapely.Geometry, grid: Grid) -> list[shapely.MultiPolygon]:
    """One multipolygon a row: the row's cells, cut by `region` (CRS units). Empty where nothing is left.

    row: (rows, cols), number of the row or -1. Edges follow the cells' edges; neighbours share them.
    """
    polygons, labels = outlines(row + np.int32(1), grid)
    pieces = np.array(polygons, dtype=object)
    # Every cell corner becomes a vertex, so that neighbours have the same ones and no sliver opens between them.
    pieces = shapely.segmentize(pieces, max(grid.step_x, grid.step_y) * 1.000001)
    shapely.prepare(region)
    whole = shapely.contains_properly(region, pieces)
    pieces[~whole] = shapely.intersection(pieces[~whole], region)
    held: list[list[shapely.Polygon]] = [[] for _ in range(count)]
    for piece, label in zip(pieces, labels, strict=True):
        held[int(label) - 1].extend(polygon_parts(piece))
    return [shapely.MultiPolygon(parts) for parts in held]


def polygon_parts(geometry: shapely.Geometry) -> list[shapely.Polygon]:
    """The polygons of any geometry; points and lines that an intersection leaves over are dropped."""
    return [g for g in shapely.get_parts(geometry) if g.geom_type == "Polygon" and not g.is_empty] + [
        h
        for g in shapely.get_parts(geometry)
        if g.geom_type in ("MultiPolygon", "GeometryCollection")
        for h in polygon_parts(g)
    ]


def multi(geometry: shapely.Geometry) -> shapely.MultiPolygon:
    """Any geometry's polygons as one multipolygon."""
    return shapely.MultiPolygon(polygon_parts(geometry))
