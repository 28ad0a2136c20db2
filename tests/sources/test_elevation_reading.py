"""Cells as they are read: mosaics, nodata, flips, windows, virtual paths."""

import pickle
import tracemalloc
from multiprocessing import get_context

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.transform import Affine

from slopekit.sources.elevation import open_elevation
from slopekit.sources.tiles import OPEN_FILES

WEST, NORTH = 500_000.0, 4_000_000.0


def at(row: float, col: float, cell: float = 1.0) -> Affine:
    return Affine(cell, 0, WEST + col * cell, 0, -cell, NORTH - row * cell)


def box(row0, row1, col0, col1):
    return WEST + col0, NORTH - row1, WEST + col1, NORTH - row0


def whole(elevation):
    return elevation.read(elevation.survey.grid.bounds).z


def test_window_holds_the_cells_that_rasterio_reads(write, ground):
    z = ground(60, 80)
    with open_elevation([write("a.tif", z)]) as elevation:
        patch = elevation.read(box(10, 20, 30, 45), pad=2)
        assert patch.z.dtype == np.float64
        np.testing.assert_array_equal(patch.z, z[8:22, 28:47])
        assert patch.grid.bounds == box(8, 22, 28, 47)
        assert patch.grid.shape == patch.z.shape


def test_outside_the_data_is_missing_and_the_window_stays_whole(write, ground):
    z = ground(20, 20)
    with open_elevation([write("a.tif", z)]) as elevation:
        patch = elevation.read(box(-5, 3, 18, 26))
        assert patch.z.shape == (8, 8)
        np.testing.assert_array_equal(patch.z[5:, :2], z[:3, 18:])
        assert np.isnan(patch.z).sum() == 64 - 6
        assert np.isnan(elevation.read(box(500, 510, 500, 510)).z).all()


def test_windows_of_a_finer_grid_lie_on_whole_working_cells(write, ground):
    z = ground(41, 43)
    with open_elevation([write("a.tif", z, at(0, 0, 0.25))]) as elevation:
        survey = elevation.survey
        assert survey.block == 4
        assert survey.working.dx == 1.0 and survey.working.shape == (11, 11)
        patch = elevation.read((WEST + 1.3, NORTH - 4.2, WEST + 3.1, NORTH - 2.6))
        assert patch.grid.bounds == (WEST + 1, NORTH - 5, WEST + 4, NORTH - 2)
        np.testing.assert_array_equal(patch.z, z[8:20, 4:16])
    with open_elevation([write("a.tif", z, at(0, 0, 0.25))], cell_m=0.5) as elevation:
        assert elevation.survey.block == 2


def test_folder_of_tiles_equals_one_raster(write, ground, tmp_path):
    z = ground(70, 90)
    for i, rows in enumerate(((0, 30), (30, 70))):
        for j, cols in enumerate(((0, 25), (25, 60), (60, 90))):
            write(f"tiles/t{i}{j}.tif", z[slice(*rows), slice(*cols)], at(rows[0], cols[0]))
    with open_elevation([tmp_path / "tiles"]) as tiles, open_elevation([write("one.tif", z)]) as one:
        assert tiles.survey.grid == one.survey.grid
        np.testing.assert_array_equal(whole(tiles), z)
        for bounds in (box(25, 35, 20, 65), box(-3, 5, 80, 99), box(29, 31, 24, 26)):
            np.testing.assert_array_equal(tiles.read(bounds, 3).z, one.read(bounds, 3).z)


def test_vrt_and_tile_index_equal_the_tiles(write, ground, tmp_path):
    z = ground(40, 50)
    parts = {"a.tif": (0, 20, at(0, 0)), "b.tif": (20, 40, at(20, 0))}
    for name, (top, bottom, affine) in parts.items():
        write(name, z[top:bottom], affine)
    sources = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{name}</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="50" ySize="20"/>'
        f'<DstRect xOff="0" yOff="{top}" xSize="50" ySize="20"/></SimpleSource>'
        for name, (top, _, _) in parts.items()
    )
    (tmp_path / "all.vrt").write_text(
        f'<VRTDataset rasterXSize="50" rasterYSize="40"><SRS>EPSG:32617</SRS><GeoTransform>{WEST}, 1, 0, {NORTH}, 0, -1'
        f'</GeoTransform><VRTRasterBand dataType="Float32" band="1">{sources}</VRTRasterBand></VRTDataset>'
    )
    pyogrio.raw.write(
        tmp_path / "index.geojson",
        np.array([shapely.to_wkb(shapely.box(*box(0, 20, 0, 50)))] * 2, dtype=object),
        [np.array(list(parts), dtype=object)],
        ["location"],
        geometry_type="Polygon",
        crs="EPSG:32617",
        driver="GeoJSON",
    )
    with open_elevation([tmp_path / "all.vrt"]) as vrt, open_elevation([tmp_path / "index.geojson"]) as index:
        np.testing.assert_array_equal(whole(vrt), z)
        np.testing.assert_array_equal(whole(index), z)
        before = vrt.survey.checksum
    write("b.tif", z[20:] + 1, at(20, 0))
    with open_elevation([tmp_path / "all.vrt"]) as vrt:
        assert vrt.survey.checksum != before, "a VRT's sources belong to its fingerprint"


def test_first_file_with_a_value_wins_where_tiles_overlap(write, ground):
    a, b = ground(20, 20, 1), ground(20, 20, 2)
    a[5:8, 15:] = -9999
    one, two = write("a.tif", a, at(0, 0), nodata=-9999), write("b.tif", b, at(0, 12))
    with open_elevation([one, two]) as elevation:
        z = whole(elevation)
    assert z.shape == (20, 32)
    np.testing.assert_array_equal(z[:5, :20], a[:5])
    np.testing.assert_array_equal(z[5:8, 15:20], b[5:8, 3:8])
    with open_elevation([two, one]) as elevation:
        np.testing.assert_array_equal(whole(elevation)[:, 12:], b)


@pytest.mark.parametrize("nodata", [-9999.0, -9999.0059, 0.0, float("nan"), -3.4028234663852886e38])
def test_each_nodata_value_reads_as_missing(write, ground, nodata):
    z = ground(20, 20)
    z[3:6, 4:9] = nodata
    with open_elevation([write("a.tif", z, nodata=nodata)]) as elevation:
        got = whole(elevation)
    hole = np.zeros(z.shape, bool)
    hole[3:6, 4:9] = True
    np.testing.assert_array_equal(np.isnan(got), hole)
    np.testing.assert_array_equal(got[~hole], z[~hole])


def test_tiles_keep_their_own_nodata_scale_and_type(write, ground):
    z = np.round(ground(20, 20), 1)
    left = np.round(z * 10 - 500).astype("int16")
    left[0, 0] = -1
    right = z.copy()
    right[0, 0] = -32768
    paths = [
        write("a.tif", left, at(0, 0), nodata=-1, scales=(0.1,), offsets=(50.0,)),
        write("b.tif", right, at(0, 20), nodata=-32768),
    ]
    with open_elevation(paths) as elevation:
        got = whole(elevation)
    assert np.isnan(got[0, [0, 20]]).all() and np.isnan(got).sum() == 2
    np.testing.assert_allclose(got[1:], np.hstack([z, z])[1:], atol=2e-5)


def test_dataset_mask_infinity_and_undeclared_nodata_read_as_missing(write, ground):
    z = ground(20, 20)
    z[1, 1], z[2, 2], z[3, 3], z[4, 4] = np.nan, np.inf, -np.inf, -9999
    path = write("a.tif", z)
    mask = np.full(z.shape, 255, "uint8")
    mask[10:12, 5] = 0
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "r+") as out:
        out.write_mask(mask)
    with open_elevation([path]) as elevation:
        missing = np.argwhere(np.isnan(whole(elevation))).tolist()
        notes = " ".join(elevation.survey.notes)
    assert missing == [[1, 1], [2, 2], [3, 3], [4, 4], [10, 5], [11, 5]]
    assert "Cells below -1000 m" in notes


@pytest.mark.parametrize(("east", "south"), [(1, -1), (-1, 1), (-1, -1)])
def test_south_up_and_mirrored_equal_north_up(write, ground, east, south):
    z = ground(30, 40)
    z[2, 3] = -9999
    stored = z[:: 1 if south < 0 else -1, :: 1 if east > 0 else -1]
    # y grows down the rows of a south-up file, x falls along the columns of a mirrored one.
    affine = Affine(east, 0, WEST + (40 if east < 0 else 0), 0, south, NORTH - (30 if south > 0 else 0))
    with (
        open_elevation([write("n.tif", z, nodata=-9999)]) as north_up,
        open_elevation([write("s.tif", stored, affine, nodata=-9999)]) as other,
    ):
        assert other.survey.grid == north_up.survey.grid and not other.survey.warped
        np.testing.assert_array_equal(whole(other), whole(north_up))
        np.testing.assert_array_equal(other.read(box(1, 5, 2, 9)).z, north_up.read(box(1, 5, 2, 9)).z)


def test_small_window_of_a_large_raster_is_cheap(tmp_path):
    path = tmp_path / "large.tif"
    settings = {"width": 10_000, "height": 10_000, "count": 1, "dtype": "float32", "nodata": -9999, "tiled": True}
    with rasterio.open(path, "w", crs="EPSG:32617", transform=at(0, 0), sparse_ok=True, **settings) as out:
        out.write(np.full((1, 256, 256), 7, "float32"), window=((5120, 5376), (5120, 5376)))
    tracemalloc.start()
    with open_elevation([path]) as elevation:
        z = elevation.read(box(5100, 5200, 5100, 5200)).z
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert (z[20:, 20:] == 7).all() and np.isnan(z[:20]).all()
    assert peak < 50_000_000


def test_more_tiles_than_open_files(write, ground):
    z = ground(9, 4 * (OPEN_FILES + 8))
    paths = [write(f"{k}.tif", z[:, 4 * k : 4 * k + 4], at(0, 4 * k)) for k in range(OPEN_FILES + 8)]
    with open_elevation(paths) as elevation:
        np.testing.assert_array_equal(whole(elevation), z)
        np.testing.assert_array_equal(whole(elevation), z)
        assert len(elevation.reader._open) == OPEN_FILES


def _corner(elevation):
    return elevation.read(box(0, 4, 0, 4)).z


def test_pickle_reopens_in_another_process(write, ground):
    z = ground(30, 30)
    with open_elevation([write("a.tif", z)]) as elevation:
        _corner(elevation)
        again = pickle.loads(pickle.dumps(elevation))
        assert again.survey == elevation.survey
        np.testing.assert_array_equal(_corner(again), z[:4, :4])
        again.close()
        with get_context("spawn").Pool(1) as pool:
            np.testing.assert_array_equal(pool.apply(_corner, (elevation,)), z[:4, :4])
    assert len(pickle.dumps(elevation)) < 10_000


@pytest.mark.parametrize(
    ("name", "missing"), [("village_scarp_1m", 0), ("embankment_2m", 13), ("farmland_channel_1m", 0)]
)
def test_real_grids_read_as_rasterio_reads_them(name, missing, open_data):
    path = open_data(f"{name}.tif")
    with rasterio.open(path) as dataset:
        expected = dataset.read(1, masked=True).filled(np.nan)
    with open_elevation([path]) as elevation:
        got = whole(elevation)
        assert elevation.survey.z_unit_from == "assumed"
    np.testing.assert_array_equal(got, expected)
    assert np.isnan(got).sum() == missing
