"""From the files that are named to those that hold the numbers: what VRTs, tile indexes and shapefiles lead to."""

import contextlib
import os
from collections.abc import Callable, Iterable
from xml.etree import ElementTree

import rasterio
from rasterio.errors import RasterioError

from slopekit.errors import InputError
from slopekit.sources.cached import own_file
from slopekit.sources.checksum import local_file
from slopekit.sources.files import is_virtual, rasters_of

_HEAD_BYTES = 1024
_SHAPEFILE = (".shp", ".shx", ".dbf", ".prj", ".cpg")


def rasters_behind(names: Iterable[str]) -> list[str]:
    """The names, and all that VRTs, GDAL's tile indexes and names of GDAL's formats among them lead to, however deep.

    What cannot be opened leads nowhere: reading it names the fault. Nothing is asked of another machine but by a VRT
    of this one."""
    return _followed(names, _raster_sources)


def vectors_behind(names: Iterable[str]) -> list[str]:
    """The names, and what they lead to: the files of a shapefile and of a folder, the sources of an OGR VRT."""
    return _followed(names, _vector_sources)


def _followed(names: Iterable[str], step: Callable[[str], list[str]]) -> list[str]:
    found: dict[str, None] = {}
    todo = list(names)[::-1]
    while todo:
        name = todo.pop()
        if name not in found:
            found[name] = None
            todo += step(name)[::-1]
    return list(found)


def _raster_sources(name: str) -> list[str]:
    for prefix in ("vrt://", "GTI:"):
        if name.startswith(prefix):
            return [name.removeprefix(prefix).partition("?")[0]]
    head = _head(name)
    if is_virtual(name) and not name.startswith("/vsi") and "://" not in name:
        return _named_within(name)
    if b"<VRTDataset" in head or (name.lower().endswith(".vrt") and is_virtual(name) and local_file(name) is not None):
        with contextlib.suppress(RasterioError), rasterio.open(name) as dataset:
            return list(dataset.files)
        return []
    if b"<GDALTileIndexDataset" in head:
        return _named_in(name, "IndexDataset")
    if not os.path.isfile(name):
        return []
    with contextlib.suppress(InputError):
        if own := own_file(name):
            return [own]
    # A tile index among the sources of a VRT; those that the user names are opened tile by tile.
    with contextlib.suppress(InputError):
        return [one for one in rasters_of([name]) if one != name]
    return []


def _named_within(name: str) -> list[str]:
    """The file in a name such as NETCDF:"a:b.nc":heights or GPKG:a.gpkg:table: format, file and what of it, in parts
    with a colon between them that the file may have too."""
    parts = name.split(":")
    texts = (":".join(parts[i:j]).strip('"') for i in range(1, len(parts)) for j in range(len(parts), i, -1))
    return next(([text] for text in texts if local_file(text) is not None), [])


def _vector_sources(name: str) -> list[str]:
    stem, ending = os.path.splitext(name)
    if os.path.isdir(name):
        return sorted(entry.path for entry in os.scandir(name) if entry.is_file())
    if ending.lower() == ".shp":
        return [path for end in _SHAPEFILE for path in (stem + end, stem + end.upper()) if os.path.isfile(path)]
    return _named_in(name, "SrcDataSource") if b"<OGRVRTDataSource" in _head(name) else []


def _head(name: str) -> bytes:
    if not os.path.isfile(name):
        return b""
    with contextlib.suppress(OSError), open(name, "rb") as file:
        return file.read(_HEAD_BYTES)
    return b""


def _named_in(name: str, tag: str) -> list[str]:
    """The files that elements of an XML file name, from its folder on or as they are."""
    try:
        texts = [one.text or "" for one in ElementTree.parse(name).iter(tag)]
    except (OSError, ElementTree.ParseError):
        return []
    places = [place for text in texts for place in (os.path.join(os.path.dirname(name), text), text)]
    return [place for place in places if os.path.exists(place)]
