"""Bands as cloud-optimised GeoTIFF, read back with rasterio and with GDAL's own gdalinfo."""

import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rasterio
from listing import names

from slopekit.grid import Grid
from slopekit.outputs.rasters import write_band
from slopekit.schema.fields import Field, fields_of

FIELDS = {f.name: f for f in fields_of("rasters")}


@pytest.fixture(scope="module")
def large(grid: Grid) -> Grid:
    return replace(grid, height=700, width=1100)


def _cells(field: Field, grid: Grid) -> np.ndarray:
    rng = np.random.default_rng(7)
    if field.type == "int":
        return rng.integers(0, 7, grid.shape)
    array = rng.uniform(0.0, 60.0, grid.shape)
    array[:40, :70] = np.nan
    return array


@pytest.mark.parametrize("name", FIELDS)
def test_cells_place_and_meaning_come_back(tmp_path: Path, large: Grid, name: str) -> None:
    field, path = FIELDS[name], tmp_path / f"{name}.tif"
    array = _cells(field, large)
    write_band(path, array, large, field)
    with rasterio.open(path) as file:
        assert file.dtypes == (("uint8",) if field.type == "int" else ("float32",))
        assert file.nodata == 0 if field.type == "int" else np.isnan(file.nodata)
        assert tuple(file.transform)[:6] == large.affine
        assert file.crs.to_epsg() == 25832
        assert field.meaning in file.descriptions[0] and file.units == (field.unit,)
        assert file.overviews(1) and file.compression.name == "deflate"
        # Float32 keeps 24 bits (IEEE 754).
        np.testing.assert_allclose(file.read(1), array, rtol=2.0**-24)
        coarse = file.read(1, out_shape=(large.height // 2, large.width // 2))
        assert set(np.unique(coarse[~np.isnan(coarse)])) <= set(np.unique(array.astype(coarse.dtype)))
    assert names(tmp_path) == [path.name]


@pytest.mark.skipif(shutil.which("gdalinfo") is None, reason="GDAL's gdalinfo is not installed")
@pytest.mark.parametrize("name", ["slope", "hazard"])
def test_gdal_calls_it_cloud_optimised(tmp_path: Path, large: Grid, name: str) -> None:
    write_band(tmp_path / "band.tif", _cells(FIELDS[name], large), large, FIELDS[name])
    answer = subprocess.run(
        ["gdalinfo", "-json", str(tmp_path / "band.tif")], capture_output=True, text=True, check=True
    )
    assert answer.stderr == ""
    info = json.loads(answer.stdout)
    assert info["metadata"]["IMAGE_STRUCTURE"]["LAYOUT"] == "COG"
    assert info["bands"][0]["unit"] == FIELDS[name].unit


def test_the_same_band_has_the_same_bytes(tmp_path: Path, large: Grid) -> None:
    for name in ("a.tif", "b.tif"):
        write_band(tmp_path / name, _cells(FIELDS["speed_to_hazard"], large), large, FIELDS["speed_to_hazard"])
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()


def test_faults_of_ours(tmp_path: Path, grid: Grid) -> None:
    with pytest.raises(ValueError, match="does not fit a grid"):
        write_band(tmp_path / "a.tif", np.zeros((3, 4)), grid, FIELDS["slope"])
    with pytest.raises(ValueError, match="codes must lie"):
        write_band(tmp_path / "a.tif", np.full(grid.shape, 300), grid, FIELDS["hazard"])
    assert list(tmp_path.iterdir()) == []
