"""Polygons to cells and back. References: shapely predicates, scipy.ndimage."""

import numpy as np
import shapely
import shapely.affinity
from scipy import ndimage
from shapely.geometry import LineString, Point, Polygon, box

from slopekit.grid import Grid
from slopekit.sources.raster import outlines, rasterize, shared

GRID = Grid(40, 50, 1000.0, 2000.0, 2.0, 0.5, "")


def squares():
    cols, rows = np.meshgrid(np.arange(GRID.width), np.arange(GRID.height))
    west, north = GRID.west + cols * GRID.step_x, GRID.north - rows * GRID.step_y
    return shapely.box(west, north - GRID.step_y, west + GRID.step_x, north)


def test_rasterize_takes_cells_whose_centre_is_inside():
    shape = Point(1043.3, 1991.1).buffer(7.7)
    centres = shapely.centroid(squares())
    np.testing.assert_array_equal(rasterize([shape], GRID), shapely.contains(shape, centres))


def test_all_touched_misses_no_cell_that_is_entered():
    for shape in (
        Point(1043.3, 1991.1).buffer(7.7),
        LineString([(1003.1, 1999.2), (1091.7, 1983.4), (1050.3, 1981.2)]),
    ):
        cells = rasterize([shape], GRID, all_touched=True)
        entered = shapely.length(shapely.intersection(shape.boundary if shape.area else shape, squares())) > 1e-9
        assert entered.sum() > 20
        assert cells[entered].all()
        assert shapely.intersects(squares(), shape.buffer(1e-9))[cells].all()


def test_rasterize_of_nothing_is_all_false():
    for nothing in ([], [Polygon()], [box(0, 0, 1, 1)]):
        cells = rasterize(nothing, GRID)
        assert cells.dtype == bool and cells.shape == GRID.shape and not cells.any()


def test_outlines_cover_each_patch_exactly():
    rng = np.random.default_rng(11)
    labels = ndimage.median_filter(rng.integers(0, 4, GRID.shape), 3).astype("int32")
    polygons, names = outlines(labels, GRID)
    assert all(p.is_valid for p in polygons)
    for label in (1, 2, 3):
        mine = [p for p, n in zip(polygons, names, strict=True) if n == label]
        assert len(mine) == ndimage.label(labels == label)[1], "4-connected patches"
        np.testing.assert_array_equal(rasterize(mine, GRID), labels == label)
        np.testing.assert_allclose(sum(p.area for p in mine), (labels == label).sum() * 1.0)
    assert 0 not in names


def test_outlines_of_noise_and_of_nothing():
    rng = np.random.default_rng(12)
    labels = rng.integers(0, 3, GRID.shape).astype("int32")
    polygons, names = outlines(labels, GRID)
    assert all(p.is_valid for p in polygons)
    assert len(polygons) == sum(ndimage.label(labels == k)[1] for k in (1, 2))
    assert sum(p.area for p in polygons) == np.count_nonzero(labels)
    assert outlines(np.zeros(GRID.shape, "int32"), GRID) == ([], [])
    assert set(names) == {1, 2}


def test_a_line_along_cell_edges_marks_the_cells_on_both_sides() -> None:
    grid = Grid(30, 30, 400240.0, 6200275.0, 1.0, 1.0, "unused")
    line = shapely.LineString([(400255, 6200265), (400267, 6200265), (400267, 6200255)])
    marked = rasterize([line], grid, all_touched=True)
    # Cells 14 to 27 of the two rows beside the level part, and 8 to 20 of the two columns beside the upright part.
    assert marked[9:11, 15:27].all() and marked[10:20, 26:28].all()
    assert not marked[11:, :26].any() and not marked[:8].any()


def test_cells_that_share_area_with_a_polygon() -> None:
    grid = Grid(20, 20, 0.0, 20.0, 1.0, 1.0, "unused")
    assert shared(shapely.box(5, 5, 10, 10), grid).sum() == 25
    assert shared(shapely.box(5, 5, 10.0001, 10), grid).sum() == 30
    ring = shapely.box(2, 2, 18, 18).difference(shapely.box(6, 6, 14, 14))
    assert shared(ring, grid).sum() == 16 * 16 - 8 * 8
    tilted = shapely.affinity.rotate(shapely.box(5, 5, 11, 9), 30)
    cells = [shapely.box(j, 19 - i, j + 1, 20 - i) for i in range(20) for j in range(20)]
    expected = np.array([tilted.intersection(c).area > 1e-9 for c in cells]).reshape(20, 20)
    assert (shared(tilted, grid) == expected).all() and expected.sum() > 30
