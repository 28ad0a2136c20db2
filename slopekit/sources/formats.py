"""What single formats of features need beyond a plain reading: columns of a table, closed lines of a drawing, files in
an archive, GeoParquet."""

import contextlib
import csv
import zipfile
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pyarrow
import pyproj
import shapely
from pyproj.exceptions import CRSError

from slopekit.errors import InputError

_WKT = ("wkt", "geometry", "geom", "the_geom", "wkt_geom", "outline")
_LON, _LAT = ("longitude", "lon", "long", "lng"), ("latitude", "lat")
_LON_LAT = "OGC:CRS84"
_HEAD = 1 << 16
_VECTORS = (".shp", ".gpkg", ".fgb", ".geojson", ".json", ".kml", ".gml")


def check_crs(file: str, crs: str) -> None:
    """Raise InputError for a CRS that is not known."""
    try:
        pyproj.CRS.from_user_input(crs)
    except CRSError as error:
        raise InputError(f"{file}: the CRS '{crs}' is not known, so name one such as EPSG:25832.") from error


def open_options(file: str) -> tuple[dict[str, str], str]:
    """How the raster library's companion must open a file, and the CRS of a table that has longitude and latitude."""
    if not file.lower().endswith(".csv"):
        return {}, ""
    try:
        with open(file, encoding="utf-8-sig", errors="replace", newline="") as stream:
            head = stream.read(_HEAD)
    except OSError:
        return {}, ""
    line = head.partition("\n")[0]
    try:
        names = next(csv.reader([line], csv.Sniffer().sniff(line, ",;\t|")))
    except (csv.Error, StopIteration):
        names = [line.strip()]
    lower = {name.strip().lower(): name for name in reversed(names)}
    wkt = next((lower[n] for n in _WKT if n in lower), None)
    if wkt is not None:
        return {"GEOM_POSSIBLE_NAMES": wkt}, ""
    lon, lat = (next((lower[n] for n in among if n in lower), None) for among in (_LON, _LAT))
    if lon is None or lat is None:
        raise InputError(
            f"{file}: the table has no column of outlines (WKT, in a column '{_WKT[0]}' or '{_WKT[1]}'), so "
            "export it with "
            f"one, or save the parcels as a GeoPackage."
        )
    return {"X_POSSIBLE_NAMES": lon, "Y_POSSIBLE_NAMES": lat}, _LON_LAT


def within(file: str) -> str:
    """The name by which a file is opened: of an archive that has its one vector file in a folder, that file's.

    Raises InputError for an archive with several.
    """
    if not file.lower().endswith(".zip"):
        return file
    names: list[str] = []
    with contextlib.suppress(OSError, zipfile.BadZipFile), zipfile.ZipFile(file) as archive:
        names = [name for name in archive.namelist() if name.lower().endswith(_VECTORS)]
    # Archives of a Mac have a shadow of each file.
    own = [name for name in names if "__MACOSX" not in name and not name.rpartition("/")[2].startswith("._")]
    if not own or any("/" not in name for name in own):
        return file
    inside = [f"/vsizip/{file}/{name}" for name in own]
    if len(own) > 1:
        raise InputError(f"{file}: the archive holds {', '.join(own)}, so name one as '{inside[0]}'.")
    return inside[0]


def outlines_of(file: str, geometries: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """The geometries of a file; in a drawing, which knows no polygons but hatches, closed lines are outlines."""
    if not file.lower().endswith(".dxf"):
        return geometries
    closed = np.array([g is not None and g.geom_type == "LineString" and g.is_ring for g in geometries], bool)
    out = geometries.copy()
    out[closed] = shapely.polygons([shapely.get_coordinates(g) for g in geometries[closed]]) if closed.any() else []
    return out


def is_parquet(file: str) -> bool:
    return file.lower().endswith((".parquet", ".geoparquet"))


def read_parquet(file: str) -> tuple[npt.NDArray[np.object_], dict[str, npt.NDArray[Any]], str]:
    """Geometries without heights, columns, and the CRS as WKT. Raises InputError for what is no GeoParquet."""
    try:
        table = gpd.read_parquet(file)
    except (OSError, ValueError, KeyError, TypeError, pyarrow.ArrowException) as error:
        raise InputError(f"{file}: this cannot be read as GeoParquet, so check that it is whole.") from error
    geometries = shapely.force_2d(np.asarray(table.geometry.to_numpy(), dtype=object))
    columns = {str(c): table[c].to_numpy(dtype=object) for c in table.columns if c != table.geometry.name}
    return geometries, columns, "" if table.crs is None else table.crs.to_wkt()
