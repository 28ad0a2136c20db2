"""What comes in by the door is read as its file would be. Readers of reference: rasterio and rioxarray."""

import gc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import rioxarray
import shapely
import xarray
from rasterio.io import MemoryFile
from rasterio.vrt import WarpedVRT

import slopekit as sk
from slopekit.api.given import Held, elevations, features
from slopekit.sources.elevation import open_elevation
from slopekit.sources.parcels import read_parcels
from slopekit.sources.vectors import read_features

WEST, NORTH, UTM = 500_000.0, 4_100_000.0, "EPSG:32617"
Z = np.add.outer(np.linspace(80.0, 40.0, 60), np.sin(np.arange(70) / 9.0)).round(2)
GRID = (1.0, 0.0, WEST, 0.0, -1.0, NORTH)


def written(path: Path, z: Any = Z, grid: Any = GRID, **more: Any) -> Path:
    """A GeoTIFF. more: of the profile, and `scale`, `offset`, `unit`."""
    own = {name: more.pop(name, None) for name in ("scale", "offset", "unit")}
    profile = {"driver": "GTiff", "count": 1, "dtype": z.dtype, "crs": UTM, "nodata": None, **more}
    height, width = z.shape
    with rasterio.open(path, "w", height=height, width=width, transform=rasterio.Affine(*grid), **profile) as out:
        out.write(z, 1)
        out.scales, out.offsets = (own["scale"] or 1.0,), (own["offset"] or 0.0,)
        out.units = (own["unit"] or "metre",)
    return path


def read(given: Any) -> tuple[Any, np.ndarray]:
    """The grid, and every height in metres."""
    held = Held()
    with open_elevation(elevations(given, held)) as elevation:
        grid = elevation.survey.grid
        return grid, elevation.read(grid.bounds).z


def array(path: Path, masked: bool = True) -> xarray.DataArray:
    opened = rioxarray.open_rasterio(path, masked=masked)
    assert isinstance(opened, xarray.DataArray)
    return opened.squeeze()


KEPT: list[MemoryFile] = []
"""The library takes the bytes away from under the dataset when the file goes."""


def in_memory(path: Path) -> Any:
    KEPT.append(MemoryFile(path.read_bytes()))
    return KEPT[-1].open()


GIVEN: dict[str, Callable[[Path], Any]] = {
    "text": str,
    "list": lambda path: [path],
    "dataset": rasterio.open,
    "dataset in memory": lambda path: in_memory(path),
    "warped on the fly": lambda path: WarpedVRT(rasterio.open(path), crs=UTM),
    "masked": array,
    "not masked": lambda path: array(path, masked=False),
    "with a band": lambda path: rioxarray.open_rasterio(path, masked=True),
    "columns first": lambda path: array(path).transpose("x", "y"),
    "from the south": lambda path: array(path).isel(y=slice(None, None, -1)),
    "in pieces": lambda path: rioxarray.open_rasterio(path, masked=True, cache=False),
}


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize("kind", GIVEN)
@pytest.mark.parametrize("stored", ["float32", "centimetres in whole numbers", "feet"])
def test_every_kind_has_the_heights_of_its_file(kind: str, stored: str, tmp_path: Path) -> None:
    z = np.where(np.arange(70) < 3, np.nan, Z)
    if stored == "float32":
        path = written(tmp_path / "g.tif", np.nan_to_num(z, nan=-9999.0).astype("float32"), nodata=-9999.0)
    elif stored == "feet":
        path = written(tmp_path / "g.tif", z / 0.3048, unit="foot")
    else:
        whole = np.nan_to_num(np.round((z - 20.0) * 100.0), nan=-32768).astype("int16")
        path = written(tmp_path / "g.tif", whole, nodata=-32768, scale=0.01, offset=20.0)
    grid, heights = read(path)
    assert np.nanmax(abs(heights - z)) < 1e-5  # the file itself is read right
    other, found = read(GIVEN[kind](path))
    assert other == grid
    assert np.array_equal(found, heights, equal_nan=True)


def test_an_array_with_its_grid(tmp_path: Path) -> None:
    grid, heights = read(written(tmp_path / "g.tif", Z))
    for z in (Z, Z.tolist(), np.ma.masked_array(Z, np.zeros(Z.shape, bool)), np.asfortranarray(Z)):
        other, found = read(sk.Raster(z, GRID, UTM, unit="metre"))
        assert other == grid and np.array_equal(found, heights)
    masked = np.ma.masked_where(Z > 60.0, np.round(Z).astype(np.int16))
    _, found = read(sk.Raster(masked, GRID, UTM, unit="metre"))
    assert np.array_equal(np.isnan(found), Z > 60.0)
    _, found = read(sk.Raster(np.where(Z > 60.0, -1.0, Z), GRID, UTM, unit="metre", nodata=-1.0))
    assert np.array_equal(np.isnan(found), Z > 60.0)


def test_a_piece_of_an_array_lies_where_its_coordinates_say(tmp_path: Path) -> None:
    whole = array(written(tmp_path / "g.tif", Z))
    for piece in (whole.isel(x=slice(10, 50), y=slice(5, 45)), whole.isel(x=slice(0, 70, 2), y=slice(0, 60, 2))):
        grid, found = read(piece)
        assert grid.centre(0, 0) == (float(piece.x[0]), float(piece.y[0]))
        assert grid.step_x == float(piece.x[1] - piece.x[0])
        assert np.array_equal(found, piece.to_numpy())


def test_what_is_held_goes_with_who_needs_it() -> None:
    held = Held()
    (name,) = elevations(sk.Raster(Z, GRID, UTM), held)
    assert Path(name).is_file()
    del held
    gc.collect()
    assert not Path(name).parent.exists()


def turned(path: Path) -> xarray.DataArray:
    written(path, Z, (0.9, 0.4, WEST, 0.4, -0.9, NORTH))
    return array(path)


WRONG: list[tuple[Callable[[Path], Any], str]] = [
    (lambda _: 7, "a int cannot be read"),
    (lambda _: Z, "a ndarray cannot be read"),
    (lambda _: sk.Raster(Z[None], GRID, UTM), "the shape (1, 60, 70)"),
    (lambda _: sk.Raster(Z + 1j, GRID, UTM), "complex128"),
    (lambda _: sk.Raster(Z > 50.0, GRID, UTM), "bool"),
    (lambda _: sk.Raster(Z, GRID, "EPSG:1"), "the CRS 'EPSG:1' is not known"),
    (lambda _: sk.Raster(Z, GRID[:4], UTM), "not six numbers"),
    (lambda _: sk.Raster(Z, (0.0,) * 6, UTM), "elevation: the raster has no position"),
    (lambda p: array(written(p)).drop_vars("spatial_ref"), "no CRS"),
    (lambda p: array(written(p)).drop_vars("x"), "no coordinates along 'x'"),
    (lambda p: array(written(p)).isel(x=[0, 1, 2, 5, 9]), "not even along 'x'"),
    (lambda p: array(written(p)).rename(x="a", y="b"), "no dimensions x and y"),
    (lambda p: xarray.concat([array(written(p))] * 2, "band"), "the dimensions band 2"),
    (lambda p: array(written(p)).to_dataset(name="z"), "a Dataset cannot be read"),
    (turned, "turned"),
]


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize(("make", "said"), WRONG)
def test_what_cannot_be_heights_is_one_sentence(make: Callable[[Path], Any], said: str, tmp_path: Path) -> None:
    lots = gpd.GeoDataFrame(geometry=[shapely.box(WEST + 20, NORTH - 40, WEST + 40, NORTH - 20)], crs=UTM)
    with pytest.raises(sk.InputError) as caught:
        sk.screen(make(tmp_path / "g.tif"), lots, sk.demo_data() / "fleet.toml")
    text = str(caught.value)
    assert said in text
    assert text.startswith("elevation: ") and text.endswith(".") and "\n" not in text and "slopekit-held" not in text


def test_a_dataset_that_is_closed_or_written_to(tmp_path: Path) -> None:
    path = written(tmp_path / "g.tif")
    with rasterio.open(path) as closed:
        pass
    with pytest.raises(sk.InputError, match="closed"):
        elevations(closed, Held())
    with rasterio.open(path, "r+") as writing, pytest.raises(sk.InputError, match="open for writing"):
        elevations(writing, Held())


def test_a_table_is_read_as_its_file(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame(
        {"name": ["a", "b", "c"], "width": [1.5, None, 3.0], "count": [1, 2, 3], "yes": [True, False, True]},
        geometry=[shapely.Point(n, n, 9.0) for n in range(3)],
        crs=UTM,
    )
    frame.to_file(tmp_path / "f.gpkg")
    one, crs = read_features(tmp_path / "f.gpkg")
    two, other = read_features(features("water", frame))
    assert str(features("water", frame)) == two.name == "water"
    assert shapely.equals_identical(one.geometries, two.geometries).all() and not shapely.has_z(two.geometries).any()
    assert pyproj.CRS(crs).equals(pyproj.CRS(other))
    assert [*one.columns] == [*two.columns]
    texts = [[str(v) for v in table.columns["name"]] for table in (one, two)]
    assert texts[0] == texts[1]


def test_ids_are_those_of_the_index_where_it_has_a_name() -> None:
    boxes = [shapely.box(n, 0, n + 1, 1) for n in range(3)]
    frame = gpd.GeoDataFrame({"name": ["a", "b", "c"]}, geometry=boxes, crs=UTM)
    wkt = frame.crs.to_wkt()

    def ids(given: gpd.GeoDataFrame, column: str | None = None) -> list[str]:
        from slopekit.api.given import id_of

        return [one.id for one in read_parcels(features("parcels", given), id_of(given, column), wkt)]

    assert ids(frame) == ["1", "2", "3"]
    assert ids(frame, "name") == ["a", "b", "c"]
    assert ids(frame.set_index("name")) == ["a", "b", "c"]
    # A piece of a table is numbered as a file of it would be.
    assert ids(frame.iloc[1:]) == ["1", "2"]
    with pytest.raises(sk.InputError, match="parcels: there is no column 'nix' for the ids, so name one of: name"):
        ids(frame, "nix")
    with pytest.raises(sk.InputError, match="both called 'name'"):
        ids(frame.set_index("name", drop=False))
    with pytest.raises(sk.InputError, match="parcels: the layer has no CRS"):
        ids(gpd.GeoDataFrame(geometry=boxes))
    with pytest.raises(sk.InputError, match="parcels: feature 2 has no geometry"):
        ids(gpd.GeoDataFrame(geometry=[boxes[0], None], crs=UTM))
    with pytest.raises(sk.InputError, match="parcels: the layer has no features"):
        ids(frame.iloc[:0])


def test_without_the_extra_a_sentence_tells_what_to_install(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import sys

    given = array(written(tmp_path / "g.tif"))
    monkeypatch.setitem(sys.modules, "rioxarray", None)
    monkeypatch.delitem(sys.modules, "slopekit.api.arrays", raising=False)
    with pytest.raises(sk.InputError, match=r"pip install 'slopekit\[xarray\]'"):
        elevations(given, Held())
