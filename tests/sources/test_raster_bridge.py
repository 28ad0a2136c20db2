"""Polygons to cells and back. References: shapely predicates, scipy.ndimage."""

import numpy as np
import shapely
from scipy import ndimage
from shapely.geometry import LineString, Point, Polygon, box

from slopekit.grid import Grid
from slopekit.sources.raster import burn, outlines

GRID = Grid(40, 50, 1000.0, 2000.0, 2.0, 0.5, "")


def squares():
    cols, rows = np.meshgrid(np.arange(GRID.width), np.arange(GRID.height))
    west, north = GRID.west + cols * GRID.step_x, GRID.north - rows * GRID.step_y
    return shapely.box(west, north - GRID.step_y, west + GRID.step_x, north)


def test_burn_takes_cells_whose_centre_is_inside():
    shape = Point(1043.3, 1991.1).buffer(7.7)
    centres = shapely.centroid(squares())
    np.testing.assert_array_equal(burn([shape], GRID), shapely.contains(shape, centres))


def test_all_touched_misses_no_cell_that_is_entered():
    for shape in (
        Point(1043.3, 1991.1).buffer(7.7),
        LineString([(1003.1, 1999.2), (1091.7, 1983.4), (1050.3, 1981.2)]),
    ):
        cells = burn([shape], GRID, all_touched=True)
        entered = shapely.length(shapely.intersection(shape.boundary if shape.area else shape, squares())) > 1e-9
        assert entered.sum() > 20
        assert cells[entered].all()
        assert shapely.intersects(squares(), shape.buffer(1e-9))[cells].all()


def test_burn_of_nothing_is_all_false():
    for nothing in ([], [Polygon()], [box(0, 0, 1, 1)]):
        cells = burn(nothing, GRID)
        assert cells.dtype == bool and cells.shape == GRID.shape and not cells.any()


def test_outlines_cover_each_patch_exactly():
    rng = np.random.default_rng(11)
    labels = ndimage.median_filter(rng.integers(0, 4, GRID.shape), 3).astype("int32")
    polygons, names = outlines(labels, GRID)
    assert all(p.is_valid for p in polygons)
    for label in (1, 2, 3):
        mine = [p for p, n in zip(polygons, names, strict=True) if n == label]
        assert len(mine) == ndimage.label(labels == label)[1], "4-connected patches"
        np.testing.assert_array_equal(burn(mine, GRID), labels == label)
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
