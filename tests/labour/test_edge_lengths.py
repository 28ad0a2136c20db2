"""Which lines count as edges, where numbers are not round: grids of odd cells, and parcels side by side."""

from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

from slopekit.grid import Grid
from slopekit.labour.edges import edge_lengths
from slopekit.sources.raster import outlines
from slopekit.zones.shapes import row_shapes

# A cell as a warp leaves it, far from the origin, so that no corner is a round number.
CELL_M = 0.987
GRID = Grid(160, 200, 402 * CELL_M * 1013 + 0.37711, 5_699_000 * CELL_M, CELL_M, CELL_M, "EPSG:32632", 1.0)


def zones_of(row: np.ndarray, region: shapely.Geometry) -> gpd.GeoDataFrame:
    shapes = row_shapes(*outlines(row.astype(np.int32) + 1, GRID), int(row.max()) + 1, region, GRID)
    columns = {"parcel_id": "p", "machine_class": ["ride-on"] * len(shapes)}
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=GRID.crs)


def test_lines_between_zones_are_no_edges_on_a_warped_grid() -> None:
    """Zones of 37 x 23 cells, laid like bricks, fill a parcel whose perimeter is arithmetic. Corners of two zones come
    out of the cutting up to 1e-9 m apart, and the lines between them are lines between them all the same."""
    row, col = np.indices(GRID.shape)
    course = row // 23
    _, brick = np.unique((col + course % 3 * 13) // 37 + 10 * course, return_inverse=True)
    west, south, east, north = GRID.bounds
    parcel = shapely.box(west + 3.3, south + 3.3, east - 3.3, north - 3.3)
    table = zones_of(brick.reshape(GRID.shape), parcel)
    held = shapely.get_coordinates(table.geometry)
    assert len(np.unique(held, axis=0)) > len(np.unique(held.round(6), axis=0))
    found = edge_lengths(table, np.ones(len(table), bool), 1.0)
    assert found.sum() == pytest.approx(2.0 * (200 + 160) * CELL_M - 8.0 * 3.3, rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_a_hair_between_corners_in_any_order(seed: int) -> None:
    """Two squares of 10 m whose common line is off by up to 3e-11 m at each corner: 30 m each, whoever comes first."""
    rng = np.random.default_rng(seed)
    places = [[(x, y) for y in range(11)] for x in (0, 10, 20)]
    west, middle, east = (np.array(p, dtype=float) + [1234.5 + seed / 7.0, 6789.25] for p in places)
    shapes = []
    for left, right in ((west, middle), (middle, east)):
        points = np.concatenate([left, right[::-1]])
        shapes.append(shapely.Polygon(points + rng.uniform(-3e-11, 3e-11, points.shape)))
    table = gpd.GeoDataFrame({"parcel_id": "p", "machine_class": ["ride-on"] * 2}, geometry=shapes, crs=GRID.crs)
    for order in ([0, 1], [1, 0]):
        assert edge_lengths(table.iloc[order], np.ones(2, bool), 1.0) == pytest.approx([30.0, 30.0])


def lines(*rows: tuple[str, str, shapely.Geometry]) -> gpd.GeoDataFrame:
    """Parcel, origin and shape of each line."""
    columns = dict(zip(("parcel_id", "origin", "geometry"), zip(*rows, strict=True), strict=True))
    return gpd.GeoDataFrame(columns, crs=GRID.crs)


def lawns(**more: Any) -> gpd.GeoDataFrame:
    """Two lawns of 20 x 20 m of two parcels, with a strip of 4 m between them."""
    shapes = [shapely.box(0, 0, 20, 20), shapely.box(24, 0, 44, 20)]
    return gpd.GeoDataFrame(
        {"parcel_id": ["a", "b"], "machine_class": "ride-on", **more}, geometry=shapes, crs=GRID.crs
    )


def test_shores_are_trimmed_by_each_parcel_that_they_lie_beside() -> None:
    """A ditch down the middle of the strip, seen from both parcels: its 20 m are an edge of either. What was seen from
    one parcel alone is nobody else's, so a parcel's figures do not depend on which others it is worked out with."""
    both, worked = lawns(), np.ones(2, bool)
    ditch = shapely.LineString([(22, 0), (22, 20)])
    seen = lines(("a", "given", ditch), ("b", "given", ditch))
    assert edge_lengths(both, worked, 1.0, seen) == pytest.approx([100.0, 100.0])
    assert edge_lengths(both, worked, 1.0, seen[:1]) == pytest.approx([100.0, 80.0])
    for one in (0, 1):
        alone = both.iloc[[one]]
        assert edge_lengths(alone, worked[:1], 1.0, seen.iloc[[one]]) == pytest.approx([100.0])


def test_a_shore_that_follows_cells_is_measured_without_its_steps() -> None:
    """A round pond of 36 m of radius in a lawn: 2 pi r = 226 m by arithmetic, 284 m along its cells."""
    row, col = np.indices(GRID.shape) + 0.5
    pond = np.hypot(row - 80.0, col - 100.0) * CELL_M < 36.0
    west, south, east, north = GRID.bounds
    table = zones_of(pond, shapely.box(west, south, east, north))
    table["machine_class"] = ["ride-on", "none"]
    shore = shapely.boundary(table.geometry[1])
    worked = np.array([True, False])
    outside = 2.0 * (200 + 160) * CELL_M
    found = {
        origin: edge_lengths(table, worked, 1.0, lines(("p", origin, shore))) - [outside, 0.0]
        for origin in ("given", "inferred from flat cells", "possible water", "confirmed on site")
    }
    assert found.pop("given") == pytest.approx([285.0, 0.0], rel=0.01)
    for length in found.values():
        assert length == pytest.approx([2.0 * np.pi * 36.0, 0.0], rel=0.01)
