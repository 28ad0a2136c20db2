"""Grids whose cells cannot serve as they are: degrees, rotated, a distorted projection."""

import numpy as np
import pyproj
import pytest
import rasterio
from rasterio.transform import Affine
from rasterio.warp import Resampling, reproject

from slopekit.sources.elevation import open_elevation

LON, LAT = -81.2, 35.6  # UTM zone 17 north by the zone rule: floor((lon + 180) / 6) + 1


def cells(affine, height, width):
    """Map coordinates of all cell centres under any affine transform."""
    cols, rows = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    return affine.a * cols + affine.b * rows + affine.c, affine.d * cols + affine.e * rows + affine.f


def centres(grid):
    return cells(Affine(*grid.affine), *grid.shape)


def from_origin(west, north, step_x, step_y):
    return Affine(step_x, 0, west, 0, -step_y, north)


def turned(degrees, step, west, north):
    """A grid turned about its north-west corner."""
    c, s = step * np.cos(np.radians(degrees)), step * np.sin(np.radians(degrees))
    return Affine(c, s, west, s, -c, north)


def plane(x, y):
    """A fall of 30 % to the south-east, with heights near 200 m."""
    return 200 + 0.2 * (x - x.mean()) - 0.22 * (y - y.mean())


def test_degrees_become_metres_in_the_utm_zone(write):
    step = 1 / 108_000  # one thirtieth of an arc second, about 1 m
    affine = from_origin(LON, LAT, step, step)
    to_utm = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32617", always_xy=True)
    lon, lat = cells(affine, 120, 150)
    x, y = to_utm.transform(lon, lat)
    x0, y0 = x.mean(), y.mean()
    z = 200 + 0.2 * (x - x0) - 0.22 * (y - y0)
    with open_elevation([write("a.tif", z, affine, "EPSG:4326")]) as elevation:
        survey = elevation.survey
        assert survey.warped and survey.block == 1
        assert pyproj.CRS(survey.grid.crs).to_epsg() == 32617
        # A degree of latitude is 110.95 km here and one of longitude 90.6 km (WGS 84 series), so sqrt(1.027 x 0.839).
        assert survey.grid.dx == pytest.approx(0.928, rel=0.011) and survey.grid.dx == survey.grid.dy
        assert any("interpolated" in n for n in survey.notes)
        patch = elevation.read(survey.grid.bounds)
    gx, gy = centres(patch.grid)
    expected = 200 + 0.2 * (gx - x0) - 0.22 * (gy - y0)
    known = np.isfinite(patch.z)
    assert known.mean() > 0.9
    # Exact but for the curvature of the graticule over one cell.
    np.testing.assert_allclose(patch.z[known], expected[known], atol=1e-5)


def test_warped_cells_agree_with_gdal(write, ground):
    """Reference: GDAL's own cubic warp with an exact transformer."""
    step = 1 / 108_000
    affine = from_origin(LON, LAT, step, step)
    z = ground(150, 150).astype("float64")
    with open_elevation([write("a.tif", z, affine, "EPSG:4326")]) as elevation:
        patch = elevation.read(elevation.survey.grid.bounds)
    expected, _ = reproject(
        z,
        np.full(patch.z.shape, np.nan),
        src_transform=affine,
        src_crs="EPSG:4326",
        dst_transform=Affine(*patch.grid.affine),
        dst_crs=patch.grid.crs,
        resampling=Resampling.cubic,
        tolerance=0,
        dst_nodata=np.nan,
    )
    inner = np.isfinite(patch.z)
    inner[:4] = inner[-4:] = inner[:, :4] = inner[:, -4:] = False
    difference = np.abs(patch.z - expected)[inner]
    assert difference.size > 15_000
    # GDAL widens its kernel where the new cell is coarser along one axis (latitude here), so it smooths a little more.
    assert np.percentile(difference, 99) < 0.05 and np.abs(np.mean((patch.z - expected)[inner])) < 1e-3


def test_a_cell_does_not_depend_on_its_window_or_on_tiles(write, ground):
    step = 1 / 108_000
    z = ground(700, 60)
    z[300:304, 20:25] = -9999
    write("t/a.tif", z[:330], from_origin(LON, LAT, step, step), "EPSG:4326", nodata=-9999)
    tiles = write("t/b.tif", z[330:], from_origin(LON, LAT - 330 * step, step, step), "EPSG:4326", nodata=-9999).parent
    one = write("a.tif", z, from_origin(LON, LAT, step, step), "EPSG:4326", nodata=-9999)
    with open_elevation([one]) as a, open_elevation([tiles]) as b:
        grid = a.survey.grid
        assert a.survey.grid == b.survey.grid
        full = a.read(grid.bounds).z
        np.testing.assert_array_equal(b.read(grid.bounds).z, full)
        west, south, east, north = grid.bounds
        part = a.read((west + 11, south + 100, east - 17, north - 300))
        row, col = grid.cell_at(*part.grid.centre(0, 0))
        np.testing.assert_array_equal(part.z, full[row : row + part.z.shape[0], col : col + part.z.shape[1]])


def test_missing_cells_spread_to_the_cells_that_need_them_only(write):
    affine = turned(30, 1, 500_000, 4_000_000)
    z = np.full((60, 60), 50.0, "float32")
    z[30, 30] = np.nan
    with open_elevation([write("a.tif", z, affine)]) as elevation:
        patch = elevation.read(elevation.survey.grid.bounds)
    x, y = centres(patch.grid)
    back = ~affine
    u, v = back.a * x + back.b * y + back.c, back.d * x + back.e * y + back.f
    near = (np.abs(u - 30.5) < 1) & (np.abs(v - 30.5) < 1)
    inside = (u > 0.5) & (u < 59.5) & (v > 0.5) & (v < 59.5)
    assert 2 <= near.sum() <= 6
    np.testing.assert_array_equal(np.isnan(patch.z), near | ~inside)
    np.testing.assert_allclose(patch.z[inside & ~near], 50, rtol=1e-14)


def test_rotated_grid_stays_in_its_own_crs(write):
    affine = turned(17, 3, 1_000_000, 200_000)
    x, y = cells(affine, 60, 80)
    path = write("a.tif", plane(x, y), affine, "EPSG:2263")
    with open_elevation([path], z_unit="us-survey-foot") as elevation:
        survey = elevation.survey
        assert survey.warped and survey.grid.step_x == pytest.approx(3)
        assert pyproj.CRS(survey.grid.crs).to_epsg() == 2263
        assert survey.grid.metres_per_unit == pytest.approx(1200 / 3937, rel=1e-12)
        patch = elevation.read(survey.grid.bounds)
    gx, gy = centres(patch.grid)
    known = np.isfinite(patch.z)
    assert known.sum() > 3000
    expected = (200 + 0.2 * (gx - x.mean()) - 0.22 * (gy - y.mean())) * 1200 / 3937
    np.testing.assert_allclose(patch.z[known], expected[known], atol=1e-9)


def test_a_projection_that_stretches_lengths_is_not_trusted(write, ground):
    """Mercator's scale is about 1 / cos(latitude), so at 45 degrees a face of 20 degrees would read 14.4.

    On the ellipsoid (WGS 84, e2 = 0.00669438) north-south it is (1 - e2 / 2)**1.5 / (1 - e2) / cos(45) = 1.4166.
    """
    x, y = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True).transform(9.0, 45.0)
    with open_elevation([write("a.tif", ground(60, 60), Affine(1.4, 0, x, 0, -1.4, y), "EPSG:3857")]) as elevation:
        survey = elevation.survey
    assert survey.warped and pyproj.CRS(survey.grid.crs).to_epsg() == 32632
    assert survey.grid.dx == pytest.approx(1.4 * np.cos(np.radians(45)), rel=0.015)
    assert any("off by 42%" in n for n in survey.notes)


@pytest.mark.parametrize(("lon", "lat", "epsg"), [(3.0, -33.9, 32731), (179.9, 10.0, 32660), (-179.99, 10.0, 32601)])
def test_zone_of_the_centre(write, ground, lon, lat, epsg):
    path = write("a.tif", ground(20, 20), from_origin(lon, lat, 1e-5, 1e-5), "EPSG:4326")
    with open_elevation([path]) as elevation:
        assert pyproj.CRS(elevation.survey.grid.crs).to_epsg() == epsg


def test_file_position_survives_a_reader_of_the_same_grid(write, ground):
    """Parcels are placed by the working CRS: the warped grid must lie where the file lies."""
    path = write("a.tif", ground(40, 40), from_origin(LON, LAT, 1e-5, 1e-5), "EPSG:4326")
    with rasterio.open(path) as dataset, open_elevation([path]) as elevation:
        west, south, east, north = rasterio.warp.transform_bounds("EPSG:4326", "EPSG:32617", *dataset.bounds)
        grid = elevation.survey.grid
        for got, expected in zip(grid.bounds, (west, south, east, north), strict=True):
            assert abs(got - expected) <= grid.dx
