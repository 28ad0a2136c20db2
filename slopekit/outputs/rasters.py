"""One band as a cloud-optimised GeoTIFF."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio.io import MemoryFile
from rasterio.transform import Affine
from rasterio.windows import Window

from slopekit.grid import Grid
from slopekit.outputs.atomic import written
from slopekit.schema.fields import FIELDS, Field
from slopekit.windows import is_device

_BANDS = tuple(f for f in FIELDS if f.layer == "rasters")
_ROWS_READ_BACK = 512
_STEM_BYTES = 100
"""File systems allow 255 bytes for a name; the field, and the temporary name's own parts, need some."""


def file_stems(ids: Sequence[str]) -> dict[str, str]:
    """What the raster files of each parcel start with, by id, so that no two files share a name.

    Letters, digits and - _ . are kept, all else becomes _. Of parcels that would share a file name, also on file
    systems that ignore case, the later ones get a number: a/b and a_b become a_b and a_b_2. A name that Windows
    keeps gets a _ in front.
    """
    fields = [f.name for f in _BANDS]
    stems: dict[str, str] = {}
    taken: set[str] = set()
    for one in ids:
        plain = "".join(c if c.isalnum() or c in "-_." else "_" for c in one)
        # What is a device to Windows is one with an ending too.
        plain = f"_{plain}" if is_device(plain) else plain
        stem = plain = plain.encode()[:_STEM_BYTES].decode(errors="ignore")
        number = 1
        # Whole names are compared: parcel a_machine with its slope meets parcel a with its machine_slope.
        while taken & (files := {f"{stem}_{field}".casefold() for field in fields}):
            number += 1
            stem = f"{plain}_{number}"
        taken |= files
        stems[one] = stem
    return stems


def band_path(folder: Path, stem: str, field: str) -> Path:
    """Where a field of a parcel goes."""
    return folder / f"{stem}_{field}.tif"


def band_paths(folder: Path, ids: Sequence[str]) -> list[Path]:
    """Every raster of the parcels."""
    return [band_path(folder, stem, f.name) for stem in file_stems(ids).values() for f in _BANDS]


def write_band(path: str | Path, array: np.ndarray, grid: Grid, field: Field) -> None:
    """Write one band of the registry's layer `rasters` as a COG with overviews.

    `array` has the shape of `grid`. Fields of type float become float32 with nodata NaN, of type int uint8 with nodata
    0. The band carries the field's meaning and unit. Raises OutputError when the place cannot take the file, ValueError
    when the array does not fit the grid or the type.
    """
    if array.shape != grid.shape:
        raise ValueError(f"{field.name}: an array of {array.shape} does not fit a grid of {grid.shape}")
    whole = field.type == "int"
    band = as_stored(array, field)
    profile: dict[str, Any] = {
        "driver": "COG",
        "height": grid.height,
        "width": grid.width,
        "count": 1,
        "dtype": band.dtype.name,
        "crs": grid.crs,
        "transform": Affine(*grid.affine),
        "nodata": 0 if whole else float("nan"),
        "compress": "DEFLATE",
        "predictor": "YES",
        # Codes and directions have no mean: an overview shows cells that are there.
        "overview_resampling": "NEAREST",
    }
    # Made in memory and written by us: GDAL does not tell a full disk from other errors, the system does.
    with MemoryFile() as memory:
        with memory.open(**profile) as file:
            file.write(band, 1)
            file.set_band_description(1, f"{field.name}: {field.meaning}")
            file.set_band_unit(1, field.unit)
        with written(path) as (temp,):
            temp.write_bytes(memory.getbuffer())
            _verify(temp, band)


def as_stored(array: np.ndarray, field: Field) -> np.ndarray:
    """The array in the type that files hold. Raises ValueError for codes that it cannot hold."""
    whole = field.type == "int"
    if whole and array.size and (array.min() < 0 or array.max() > 255):
        raise ValueError(f"{field.name}: codes must lie within 0 and 255")
    return array.astype(np.uint8 if whole else np.float32)


def _verify(temp: Path, band: np.ndarray) -> None:
    with rasterio.open(temp) as file:
        for row in range(0, band.shape[0], _ROWS_READ_BACK):
            want = band[row : row + _ROWS_READ_BACK]
            got = file.read(1, window=Window(0, row, band.shape[1], len(want)))
            if not np.array_equal(got, want, equal_nan=band.dtype.kind == "f"):
                raise OSError("the cells do not read back as they were written")
