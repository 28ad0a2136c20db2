"""Down to the files that hold the numbers, and fingerprints that tell what changes heights from what does not.

VRT, GTI and PAM are GDAL's formats (gdal.org: "VRT", "GTI", "Persistent Auxiliary Metadata"), and GDAL reads them here.
"""

import os
import shutil
import warnings
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine
from shapely import box

from slopekit.sources.behind import rasters_behind, vectors_behind
from slopekit.sources.checksum import checksum, file_marks
from slopekit.sources.elevation import open_elevation
from slopekit.sources.look import changed_since, look
from slopekit.sources.mosaic import read_header

pytestmark = pytest.mark.fault

CRS, WEST, NORTH, SIDE = "EPSG:25832", 500_000.0, 5_600_000.0, 40


@pytest.fixture
def tile(tmp_path: Path) -> Path:
    path = tmp_path / "t.tif"
    size = {"height": SIDE, "width": SIDE, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", driver="GTiff", crs=CRS, transform=Affine(1, 0, WEST, 0, -1, NORTH), **size) as file:
        file.write(100.0 + 0.1 * np.add(*np.mgrid[:SIDE, :SIDE]).astype("float32"), 1)
    return path


def vrt(path: Path, source: str) -> str:
    path.write_text(
        f'<VRTDataset rasterXSize="{SIDE}" rasterYSize="{SIDE}"><SRS>{CRS}</SRS>'
        f"<GeoTransform>{WEST},1,0,{NORTH},0,-1</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        f'<SourceFilename relativeToVRT="1">{source}</SourceFilename><SourceBand>1</SourceBand>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )
    return str(path)


def index_of(path: Path, tile: Path) -> str:
    frame = gpd.GeoDataFrame({"location": [str(tile)]}, geometry=[box(WEST, NORTH - SIDE, WEST + SIDE, NORTH)], crs=CRS)
    frame.to_file(path, driver="GPKG")
    return str(path)


def made(kind: str, folder: Path, tile: Path) -> str:
    """A survey that leads to the tile by a way of its own."""
    if kind == "vrt of vrt":
        vrt(folder / "inner.vrt", tile.name)
        return vrt(folder / "outer.vrt", "inner.vrt")
    if kind == "any ending":
        vrt(folder / "inner.xml", tile.name)
        return vrt(folder / "outer.txt", "inner.xml")
    if kind == "vrt of a tile index":
        index_of(folder / "tiles.gti.gpkg", tile)
        return vrt(folder / "outer.vrt", "tiles.gti.gpkg")
    if kind == "description of a tile index":
        index_of(folder / "tiles.gti.gpkg", tile)
        (folder / "tiles.gti").write_text(
            "<GDALTileIndexDataset><IndexDataset>tiles.gti.gpkg</IndexDataset></GDALTileIndexDataset>"
        )
        return vrt(folder / "outer.vrt", "tiles.gti")
    if kind == "vrt of a vrt in an archive":
        vrt(folder / "inner.vrt", str(tile).replace("&", "&amp;"))
        text = (folder / "inner.vrt").read_text().replace('relativeToVRT="1"', 'relativeToVRT="0"')
        with zipfile.ZipFile(folder / "a.zip", "w") as archive:
            archive.writestr("inner.vrt", text)
        return f"/vsizip/{folder}/a.zip/inner.vrt"
    vrt(folder / "inner.vrt", tile.name)
    return f"vrt://{folder}/inner.vrt?bands=1"


@pytest.mark.parametrize(
    "kind",
    [
        "vrt of vrt",
        "any ending",
        "vrt of a tile index",
        "description of a tile index",
        "vrt of a vrt in an archive",
        "connection",
    ],
)
def test_an_inner_tile_belongs_to_the_survey(tmp_path: Path, tile: Path, kind: str) -> None:
    name = made(kind, tmp_path, tile)
    header = read_header(name)
    assert os.path.realpath(tile) in {os.path.realpath(one) for one in header.files}, header.files
    before = file_marks(header.files), checksum(header.files)
    with rasterio.open(tile, "r+") as file:
        file.write(file.read(1) + 1.0, 1)
    os.utime(tile, ns=(1, 1))
    after = file_marks(read_header(name).files), checksum(read_header(name).files)
    assert before[0] != after[0] and before[1] != after[1]


@pytest.mark.parametrize("name", ['NETCDF:"{}":heights', "GPKG:{}:heights", "GTIFF_DIR:1:{}", "HDF5:{}://a/b"])
@pytest.mark.parametrize("file", ["t.tif", "a:b.tif"])
def test_a_name_of_a_format_leads_to_its_file(tmp_path: Path, tile: Path, name: str, file: str) -> None:
    """The forms are those of GDAL's drivers netCDF, GPKG, GTiff and HDF5 (gdal.org); nothing is opened."""
    path = tile.rename(tmp_path / file)
    found = rasters_behind([name.format(path)])
    assert found == [name.format(path), str(path)] or (name.startswith("HDF5") and found == [name.format(path)])


def test_a_ring_of_vrts_and_a_broken_one_end(tmp_path: Path) -> None:
    a = vrt(tmp_path / "a.vrt", "b.vrt")
    b = vrt(tmp_path / "b.vrt", "a.vrt")
    (tmp_path / "c.vrt").write_text("<VRTDataset")
    assert {a, b} <= {*rasters_behind([a, str(tmp_path / "c.vrt")])}


PAM = "<PAMDataset>{0}<PAMRasterBand band='1'>{1}</PAMRasterBand></PAMDataset>"
SAYS = {
    "scale": PAM.format("", "<Scale>2</Scale>"),
    "offset": PAM.format("", "<Offset>5</Offset>"),
    "nodata": PAM.format("", "<NoDataValue>100</NoDataValue>"),
    "unit": PAM.format("", "<UnitType>ft</UnitType>"),
    "CRS": PAM.format("<SRS>EPSG:25833</SRS>", ""),
    "place": PAM.format(f"<GeoTransform>{WEST + 1},1,0,{NORTH},0,-1</GeoTransform>", ""),
    "date": PAM.format("<Metadata><MDI key='SURVEY_DATE'>2020-01-01</MDI></Metadata>", ""),
}
VIEWED = (
    "<Histograms><HistItem><HistMin>0</HistMin></HistItem></Histograms>"
    "<Metadata><MDI key='STATISTICS_MAXIMUM'>1</MDI></Metadata>"
)


@pytest.mark.parametrize("what", SAYS)
def test_a_sidecar_that_changes_heights_changes_the_fingerprint(tile: Path, what: str) -> None:
    beside = Path(f"{tile}.aux.xml")
    plain = checksum([str(tile)])
    beside.write_text(PAM.format("", VIEWED))
    assert checksum([str(tile)]) == plain
    beside.write_text(SAYS[what])
    said = checksum([str(tile)])
    assert said != plain
    # Statistics that a viewing program adds change nothing again.
    beside.write_text(SAYS[what].replace("</PAMRasterBand>", f"{VIEWED}</PAMRasterBand>"))
    assert checksum([str(tile)]) == said


def test_what_gdal_writes_beside_a_raster(tile: Path) -> None:
    with open_elevation([tile]) as elevation:
        plain = elevation.survey.checksum
    with rasterio.open(tile) as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the newer way writes no file
        file.statistics(1)
    assert "STATISTICS_" in Path(f"{tile}.aux.xml").read_text()
    with open_elevation([tile]) as elevation:
        assert elevation.survey.checksum == plain
    Path(f"{tile}.aux.xml").write_text(SAYS["scale"])
    with open_elevation([tile]) as elevation:
        assert elevation.survey.checksum != plain
        assert elevation.read(elevation.survey.grid.bounds).z.max() > 200.0  # GDAL heeds it


def test_all_files_of_a_vector(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"kind": ["road"]}, geometry=[box(0, 0, 1, 1)], crs=CRS)
    frame.to_file(tmp_path / "a.shp")
    shape = str(tmp_path / "a.shp")
    found = {Path(name).suffix for name in vectors_behind([shape])}
    assert {".shp", ".shx", ".dbf", ".prj"} <= found
    before, seen = checksum(vectors_behind([shape])), look(vectors_behind([shape]))
    frame.assign(kind=["path"]).to_file(tmp_path / "a.shp")
    assert checksum(vectors_behind([shape])) != before
    assert changed_since(seen) == [str(tmp_path / "a.dbf")]
    (tmp_path / "b.vrt").write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource relativeToVRT="1">a.shp</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    assert str(tmp_path / "a.dbf") in vectors_behind([str(tmp_path / "b.vrt")])


def test_a_look_tells_a_touch_from_a_change(tile: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    name = str(tile)
    before = look([name])
    os.utime(tile, ns=(1, 1))
    assert changed_since(before) == []
    # Where reading all would cost too much, a touch counts as a change.
    with monkeypatch.context() as patch:
        patch.setattr("slopekit.sources.look._CHEAP", 10)
        dear = look([name])
        os.utime(tile, ns=(2, 2))
        assert changed_since(dear) == [name]
    Path(f"{tile}.aux.xml").write_text(SAYS["scale"])
    assert changed_since(before) == [name]
    shutil.move(tile, tile.with_name("gone.tif"))
    assert changed_since(before) == [name]
