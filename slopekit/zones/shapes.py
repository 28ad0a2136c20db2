"""Polygons of the output rows, cut by the parcel."""

from collections.abc import Sequence

import numpy as np
import shapely

from slopekit.grid import Grid


def row_shapes(
    polygons: Sequence[shapely.Polygon], labels: Sequence[int], count: int, region: shapely.Geometry, grid: Grid
) -> list[shapely.MultiPolygon]:
    """One multipolygon a row: its patches, cut by `region` (CRS units). Empty where nothing is left.

    polygons: outlines of all patches of cells, along the cells' edges of `grid`. labels: the row of each, from 1.
    Neighbours share their edges.
    """
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
