"""From what the user names to the rasters to open: files, folders, tile indexes, GDAL virtual paths."""

import hashlib
import json
import os
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from slopekit.errors import InputError
from slopekit.paths import refuse_special

RASTER_SUFFIXES = (".tif", ".tiff", ".vrt", ".img", ".asc", ".bil", ".flt", ".dem", ".hgt", ".dt2", ".grd")
_INDEX_SUFFIXES = (".shp", ".geojson", ".fgb", ".gpkg")
_INDEX_COLUMN = "location"
# Words of connections to databases and services that a key may follow.
_KEYS = re.compile(r"(?i)[\s&;,?]*\b\w*(user|pass|pwd|key|token|secret|sig)\w*\s*=\s*('[^']*'|\"[^\"]*\"|[^\s&;,]*)")
SELECTION = ".tiles"
"""Ending of a file that lists tiles of a cache, made by `selection`."""


def named_parts(name: str) -> tuple[str, str, str]:
    """File, layer and CRS of a name such as 'site.dxf|layername=plots|crs=EPSG:25832', the way QGIS writes it; '' for
    what is not named."""
    found = re.fullmatch(r"(.*?)((?:\|(?:layername|crs)=[^|]*)*)(?:\|.*)?", name, re.DOTALL)
    file, rest = (found[1], found[2]) if found else (name, "")
    told = dict(one.split("=", 1) for one in rest.split("|") if one)
    return file, told.get("layername", ""), told.get("crs", "")


def is_virtual(name: str) -> bool:
    """Whether a name is for GDAL to resolve (/vsizip/..., https://..., DRIVER:...) and not a path on this machine."""
    return name.startswith("/vsi") or "://" in name or re.match(r"[A-Za-z][A-Za-z0-9_]+:", name) is not None


def short_name(name: str) -> str:
    """A name to print: no folders of this machine, and of an address no query, user or password that may be a key."""
    if "://" in name:
        return re.sub(r"(?<=://)[^/]*@", "", re.split("[?#]", name, maxsplit=1)[0])
    return os.path.basename(name.rstrip("/\\")) or name


def without_keys(name: str) -> str:
    """A name to keep: of an address, and of what names a database, nothing that may be a key."""
    if name.lstrip()[:1] in ("<", "{"):
        return "a description of a source"
    if "://" in name:
        name = re.sub(r"(?<=://)[^/]*@", "", re.split("[?#]", name, maxsplit=1)[0])
    return _KEYS.sub("", name) if is_virtual(name) else name


def rasters_of(paths: Sequence[str | Path]) -> list[str]:
    """The rasters behind the given names, in the given order; the files of a folder by name.

    A tile index is a vector file with a column 'location', as GDAL's gdaltindex writes it. Raises InputError for a
    name that does not exist, a folder without rasters, an empty index, and when nothing is named.
    """
    found: list[str] = []
    for path in paths:
        name = str(path)
        refuse_special(name)
        if os.path.isdir(name):
            found += _folder(name)
        elif os.path.isfile(name):
            found += _index(name) or [name]
        elif is_virtual(name):
            found.append(name)
        else:
            raise InputError(f"{name}: there is no such file or folder, so check the elevation path.")
    if not found:
        raise InputError("No elevation file was named, so give at least one raster, VRT or folder of tiles.")
    return list(dict.fromkeys(found))


def _folder(name: str) -> list[str]:
    files = sorted(e.name for e in os.scandir(name) if not e.is_dir() and e.name.lower().endswith(RASTER_SUFFIXES))
    if not files:
        raise InputError(
            f"{name}: the folder holds no raster ({', '.join(RASTER_SUFFIXES)}), so name the folder of the tiles."
        )
    return [os.path.join(name, f) for f in files]


def listed(name: str) -> list[str] | None:
    """The names in a tile index as they stand there; None when the file is not one."""
    if not name.lower().endswith(_INDEX_SUFFIXES):
        return None
    try:
        if _INDEX_COLUMN not in pyogrio.read_info(name)["fields"]:
            return None
        fields = pyogrio.raw.read(name, columns=[_INDEX_COLUMN], read_geometry=False)[3]
    except (DataSourceError, DataLayerError):
        return None  # A GeoPackage may hold a raster and no vectors.
    return [str(v) for v in np.asarray(fields[0], dtype=object) if v]


def selection(folder: Path, names: Sequence[str]) -> tuple[Path, bytes]:
    """The file that lists rasters in this order, those of its own folder by their last name, and its content."""
    beside = os.path.abspath(folder)
    own = [os.path.relpath(n, beside) if os.path.dirname(os.path.abspath(n)) == beside else n for n in names]
    content = json.dumps({"slopekit_selection": 1, "rasters": own}).encode()
    return folder / f"{hashlib.sha256(content).hexdigest()[:12]}{SELECTION}", content


def _selected(name: str) -> list[str]:
    try:
        return [str(one) for one in json.loads(Path(name).read_bytes())["rasters"]]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"{name}: this does not list tiles as slopekit writes it, so make it anew.") from error


def _index(name: str) -> list[str]:
    """Rasters that a tile index lists, or nothing when the file is not one."""
    rows = _selected(name) if name.endswith(SELECTION) else listed(name)
    if rows is None:
        return []
    if not rows:
        raise InputError(f"{name}: the tile index lists no rasters, so make it anew from the tiles.")
    beside = os.path.dirname(os.path.abspath(name))
    files = [f if is_virtual(f) or os.path.isfile(f) else os.path.join(beside, f) for f in rows]
    for file in files:
        refuse_special(file)
        if not is_virtual(file) and not os.path.isfile(file):
            raise InputError(f"{name}: the tile index lists {file}, which does not exist, so make the index anew.")
    return files
