"""Elevation that cannot be used: each fault gives one sentence with the file, the value and the fix."""

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from slopekit.errors import InputError
from slopekit.sources.elevation import open_elevation

pytestmark = pytest.mark.fault

AFFINE = Affine(1, 0, 500_000, 0, -1, 4_000_000)


def make(path, z, affine=AFFINE, crs="EPSG:32617", **profile):
    height, width = z.shape
    settings = {"driver": "GTiff", "dtype": z.dtype, "count": 1, "crs": crs, "transform": affine, **profile}
    with rasterio.open(path, "w", height=height, width=width, **settings) as out:
        out.write(z, 1)
    return path


def ground(height=64, width=64):
    return np.random.default_rng(3).normal(100, 5, (height, width)).astype("float32")


def message(*paths, **options):
    with pytest.raises(InputError) as caught:
        elevation = open_elevation(paths, **options)
        elevation.read(elevation.survey.grid.bounds)
    text = str(caught.value)
    assert text.endswith(".") and ". " not in text, "one sentence"
    return text


def test_missing_file(tmp_path):
    assert "no.tif: there is no such file or folder, so check" in message(tmp_path / "no.tif")


def test_nothing_named():
    assert "No elevation file was named" in message()


def test_not_a_raster(tmp_path):
    (tmp_path / "a.tif").write_text("not a picture of the ground")
    assert "a.tif: this cannot be opened as a raster, so check" in message(tmp_path / "a.tif")


def test_empty_folder(tmp_path):
    (tmp_path / "readme.txt").write_text("tiles go here")
    assert f"{tmp_path}: the folder holds no raster" in message(tmp_path)


def test_no_crs(tmp_path):
    path = make(tmp_path / "a.tif", ground(), crs=None)
    assert "a.tif: the raster has no CRS, so assign the right one" in message(path)


def test_crs_without_a_place_on_the_earth(tmp_path):
    crs = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["Easting",EAST],AXIS["Northing",NORTH]]'
    path = make(tmp_path / "a.tif", ground(), crs=crs)
    assert "a.tif: the CRS 'site grid' has no known place on the Earth" in message(path)


def test_metres_labelled_as_degrees(tmp_path):
    path = make(tmp_path / "a.tif", ground(), crs="EPSG:4326")
    assert "does not exist in the CRS 'WGS 84', so assign the right CRS" in message(path)


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_no_position(tmp_path):
    path = make(tmp_path / "a.tif", ground(), Affine.identity())
    assert "a.tif: the raster has no position on the map, so georeference it" in message(path)


@pytest.mark.parametrize("shape", [(1, 50), (50, 1), (2, 50)])
def test_too_thin(tmp_path, shape):
    path = make(tmp_path / "a.tif", ground(*shape))
    assert f"a.tif: the raster has {shape[0]} rows and {shape[1]} columns" in message(path)


def test_complex_numbers(tmp_path):
    path = make(tmp_path / "a.tif", ground().astype("complex64"))
    assert "a.tif: band 1 holds complex numbers (complex64), so name" in message(path)


def test_no_bands(tmp_path):
    # A GeoPackage with two rasters shows neither until one is named.
    for table in ("lower", "upper"):
        make(tmp_path / "a.gpkg", ground(), driver="GPKG", raster_table=table, append_subdataset=table == "upper")
    text = message(tmp_path / "a.gpkg")
    assert "a.gpkg: the file has no bands, so name" in text and "a.gpkg:lower" in text
    with open_elevation([f"GPKG:{tmp_path / 'a.gpkg'}:upper"]) as elevation:
        assert elevation.survey.grid.dx == 1.0


def test_feet_without_a_vertical_unit(tmp_path):
    path = make(tmp_path / "a.tif", ground(), Affine(3, 0, 1e6, 0, -3, 2e5), "EPSG:2263")
    assert "name --z-unit metre, foot or us-survey-foot" in message(path)


def test_depths_are_not_heights(tmp_path):
    # EPSG 5715 is "MSL depth", whose axis points down (EPSG registry).
    path = make(tmp_path / "a.tif", ground(), crs="EPSG:32617+5715")
    assert "a.tif: the CRS counts depths downward, so convert" in message(path)


def test_truncated(tmp_path):
    path = make(tmp_path / "a.tif", ground(512, 512))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    text = message(path)
    assert "a.tif: cells at rows" in text and "damaged" in text and "fetch it again" in text


def test_flipped_bits_in_compressed_cells(tmp_path):
    good = make(tmp_path / "good.tif", ground(256, 256))
    path = make(tmp_path / "bad.tif", ground(256, 256), Affine(1, 0, 500_256, 0, -1, 4_000_000), compress="deflate")
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    for k in range(middle, middle + 2000):
        content[k] ^= 0xA5
    path.write_bytes(bytes(content))
    text = message(good, path)
    assert "bad.tif: cells at rows" in text and "good.tif" not in text


def test_vrt_whose_tile_is_gone(tmp_path):
    (tmp_path / "a.vrt").write_text(
        '<VRTDataset rasterXSize="9" rasterYSize="9"><SRS>EPSG:32617</SRS>'
        "<GeoTransform>500000, 1, 0, 4000000, 0, -1</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename relativeToVRT="1">gone.tif'
        "</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    assert "a.vrt: cells at rows 0 to 8 cannot be read" in message(tmp_path / "a.vrt")


@pytest.mark.parametrize(
    ("affine", "crs", "words"),
    [
        (Affine(1, 0, 500_064, 0, -1, 4_000_000), "EPSG:32618", "different CRSs"),
        (Affine(0.5, 0, 500_064, 0, -0.5, 4_000_000), "EPSG:32617", "different cell sizes (1 and 0.5 along a row)"),
        (Affine(1, 0, 500_064.2, 0, -1, 4_000_000), "EPSG:32617", "do not line up (off by 0.200 columns"),
    ],
)
def test_tiles_that_do_not_fit(tmp_path, affine, crs, words):
    first = make(tmp_path / "first.tif", ground())
    second = make(tmp_path / "second.tif", ground(), affine, crs)
    text = message(first, second)
    assert "second.tif" in text and "first.tif" in text and words in text


def test_tile_a_thousandth_off_is_one_grid(tmp_path):
    first = make(tmp_path / "first.tif", ground())
    second = make(tmp_path / "second.tif", ground(), Affine(1, 0, 500_064.0005, 0, -1, 4_000_000))
    with open_elevation([first, second]) as elevation:
        assert elevation.survey.grid.shape == (64, 128)


def test_all_missing_reads_as_missing(tmp_path):
    path = make(tmp_path / "a.tif", np.full((64, 64), -9999, "float32"), nodata=-9999)
    with open_elevation([path]) as elevation:
        assert np.isnan(elevation.read(elevation.survey.grid.bounds).z).all()
        assert elevation.survey.z_step_m is None


def test_index_that_lists_a_missing_tile(tmp_path):
    (tmp_path / "i.geojson").write_text(
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"location":"gone.tif"},'
        '"geometry":{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[0,0]]]}}]}'
    )
    assert "i.geojson: the tile index lists" in message(tmp_path / "i.geojson")
