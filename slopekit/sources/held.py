"""Heights held in memory. They are put on the disk once, so that every process reads them as it reads a file."""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
from pyproj.exceptions import CRSError
from rasterio import DatasetReader
from rasterio.enums import MaskFlags
from rasterio.errors import RasterioError
from rasterio.io import DatasetWriter
from rasterio.transform import Affine
from rasterio.vrt import WarpedVRT

from slopekit.errors import InputError
from slopekit.sources.files import is_virtual

Dataset: TypeAlias = DatasetReader | DatasetWriter | WarpedVRT


@dataclass(frozen=True, eq=False)
class Raster:
    """An array of heights with its grid.

    >>> import numpy as np, slopekit as sk
    >>> heights = np.full((300, 400), 52.5)
    >>> sk.Raster(heights, (1.0, 0.0, 500_000.0, 0.0, -1.0, 5_600_000.0), "EPSG:25832").z.shape
    (300, 400)
    """

    z: npt.ArrayLike
    """Heights, (rows, cols), any real type; NaN and masked cells are missing."""
    transform: Sequence[float]
    """a to f of x = a col + b row + c and y = d col + e row + f, counted from the outer corner of cell (0, 0), as
    rasterio's `Affine` has them."""
    crs: Any
    """Whatever pyproj can read: 'EPSG:25832', WKT, a CRS."""
    unit: str | None = None
    """Unit of the heights, such as 'metre' or 'foot'; None where only `z_unit` or the CRS can tell."""
    nodata: float | None = None
    """A value that says missing."""
    scale: float = 1.0
    offset: float = 0.0
    """A height is scale * z + offset."""
    text: str = ""
    """What the heights show, such as 'terrain model'."""
    tags: Mapping[str, str] = field(default_factory=dict)
    """Metadata as files have it: an RMSE, a date of the survey."""


def hold(raster: Raster, path: Path) -> None:
    """Write a raster to a GeoTIFF, cell by cell as it is. Raises InputError for what cannot be heights on a map."""
    z, missing = _cells(raster)
    try:
        crs = pyproj.CRS.from_user_input(raster.crs).to_wkt()
    except CRSError as error:
        raise InputError(
            f"elevation: the CRS {raster.crs!r} is not known, so give a code such as EPSG:25832."
        ) from error
    try:
        affine = Affine(*[float(v) for v in tuple(raster.transform)[:6]])
    except (TypeError, ValueError) as error:
        raise InputError(
            f"elevation: the transform {raster.transform!r} is not six numbers, so give those of rasterio's Affine."
        ) from error
    profile = {"driver": "GTiff", "count": 1, "dtype": z.dtype.name, "crs": crs, "transform": affine, "nodata": missing}
    with rasterio.open(path, "w", height=z.shape[0], width=z.shape[1], BIGTIFF="IF_SAFER", **profile) as out:
        out.write(z, 1)
        out.scales, out.offsets = (raster.scale,), (raster.offset,)
        if raster.unit:
            out.units = (raster.unit,)
        if raster.text:
            out.set_band_description(1, raster.text)
        out.update_tags(**raster.tags)


def _cells(raster: Raster) -> tuple[npt.NDArray[Any], float | None]:
    """The array as a file can hold it, and the value that says missing."""
    z = np.ma.asarray(raster.z) if np.ma.isMaskedArray(raster.z) else np.asarray(raster.z)
    if z.ndim != 2:
        raise InputError(f"elevation: the array has the shape {z.shape}, so give one of rows and columns.")
    if z.dtype.kind not in "iuf":
        raise InputError(f"elevation: the array holds {z.dtype} and no real numbers, so give heights.")
    if np.ma.isMaskedArray(z):
        missing = np.ma.getmaskarray(z)
        z = np.where(missing, np.nan, np.ma.getdata(z).astype(np.float64 if z.dtype.kind in "iu" else z.dtype))
    if z.dtype == np.float16 or z.dtype.itemsize > 8:
        z = z.astype(np.float32 if z.dtype == np.float16 else np.float64)
    missing_value = raster.nodata
    if z.dtype.kind == "f":
        if missing_value is not None and not np.isnan(missing_value):
            z = np.where(z == z.dtype.type(missing_value), np.nan, z)
        missing_value = np.nan
    return z, missing_value


def held_or_named(dataset: Dataset) -> Raster | str:
    """The file of an open dataset; of one that is none, such as a VRT made in memory, its heights.

    Raises InputError for a dataset that is closed or open for writing.
    """
    name = str(dataset.name)
    if dataset.closed:
        raise InputError(f"{name}: the dataset is closed, so open it again or give its path.")
    if dataset.mode != "r":
        raise InputError(f"{name}: the dataset is open for writing, so close it and open it for reading.")
    on_disk = os.path.exists(name) or (is_virtual(name) and not name.startswith("/vsimem"))
    if on_disk and isinstance(dataset, DatasetReader):
        return name
    if dataset.count == 0 or dataset.crs is None:
        raise InputError(f"{name}: the dataset has no bands or no CRS, so give a raster of heights with its CRS.")
    try:
        by_value = dataset.nodata is not None or MaskFlags.all_valid in dataset.mask_flag_enums[0]
        z = dataset.read(1, masked=not by_value)
    except RasterioError as error:
        raise InputError(f"{name}: the dataset cannot be read, so give the path of a raster.") from error
    return Raster(
        z,
        tuple(dataset.transform)[:6],
        dataset.crs.to_wkt(),
        unit=dataset.units[0],
        nodata=dataset.nodata,
        scale=dataset.scales[0],
        offset=dataset.offsets[0],
        text=dataset.descriptions[0] or "",
        tags={k: v for k, v in {**dataset.tags(), **dataset.tags(1)}.items() if k != "AREA_OR_POINT"},
    )
