"""Features of a vector file in the working CRS: two-dimensional, checked, nothing dropped in silence."""

import contextlib
import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FieldError, GeometryError

from slopekit.errors import InputError
from slopekit.paths import refuse_special
from slopekit.sources.checksum import local_file
from slopekit.sources.files import is_virtual, named_parts
from slopekit.sources.formats import check_crs, is_parquet, open_options, outlines_of, read_parquet, within
from slopekit.sources.frames import Frame
from slopekit.sources.remote import check_local
from slopekit.sources.units_of import horizontal_crs, on_earth
from slopekit.sources.warp import transformer

POLYGONS = frozenset({shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON})
POINTS = frozenset({shapely.GeometryType.POINT, shapely.GeometryType.MULTIPOINT})
LINES = frozenset(
    {shapely.GeometryType.LINESTRING, shapely.GeometryType.MULTILINESTRING, shapely.GeometryType.LINEARRING}
)


# GDAL's manual, "Configuration options". Unlike a time for the whole answer, this lets a large file take as long as it
# needs; a few requests are made before one is given up.
_DEADLINES = {
    "GDAL_HTTP_CONNECTTIMEOUT": "10",
    "GDAL_HTTP_LOW_SPEED_TIME": "15",  # seconds
    "GDAL_HTTP_LOW_SPEED_LIMIT": "1",  # bytes a second
}


@contextlib.contextmanager
def in_time() -> Iterator[None]:
    """Have GDAL give up a web server that has gone silent; what the user has set is left as it is."""
    ours = {name: value for name, value in _DEADLINES.items() if pyogrio.get_gdal_config_option(name) is None}
    pyogrio.set_gdal_config_options(ours)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(dict.fromkeys(ours))


@dataclass(frozen=True, eq=False)
class Features:
    """`geometries` and every column have one entry per feature, in file order."""

    name: str
    geometries: npt.NDArray[np.object_]
    columns: dict[str, npt.NDArray[Any]]


Source = str | Path | Frame
"""Where features come from: a file, with or without the name of a layer, or a table."""


def read_features(source: Source, *, gaps: bool = False, empty: bool = False) -> tuple[Features, str]:
    """All features of one layer as they are stored, heights dropped, and the layer's CRS as WKT.

    A path may name a layer as 'file.gpkg|layername=parcels', the way QGIS writes it. Raises InputError for a missing or
    unreadable file, a pipe or device, several layers with none named, an empty layer unless `empty` is accepted, a CRS
    that is missing or local, and, unless `gaps` are accepted, a feature without a geometry.
    """
    name = str(source)
    geometries, columns, stored = source.stored() if isinstance(source, Frame) else _from_file(name)
    if not len(geometries) and empty:
        return Features(name, geometries, columns), stored
    if not len(geometries):
        raise InputError(f"{name}: the layer has no features, so name a layer with features or leave it out.")
    if not stored:
        raise InputError(
            f"{name}: the layer has no CRS, so assign the right one (in QGIS: Set layer CRS) or name it as "
            f"'{name}|crs=EPSG:...'."
        )
    crs = horizontal_crs(stored)
    if not on_earth(crs):
        raise InputError(
            f"{name}: the CRS '{crs.name}' has no known place on the Earth, so assign the right one "
            "(in QGIS: Set layer CRS)."
        )
    for number, geometry in enumerate(geometries, start=1):
        if not gaps and (geometry is None or geometry.is_empty):
            raise InputError(f"{name}: feature {number} has no geometry, so draw or delete it.")
    return Features(name, geometries, columns), stored


@in_time()
def _from_file(name: str) -> tuple[npt.NDArray[np.object_], dict[str, npt.NDArray[Any]], str]:
    """Geometries, columns and the CRS as WKT, '' for none."""
    file, layer, crs = named_parts(name)
    refuse_special(file)
    check_local([file])
    if not os.path.exists(file) and not is_virtual(file):
        raise InputError(f"{file}: there is no such file, so check the path.")
    if crs:
        check_crs(file, crs)
    if is_parquet(file):
        geometries, columns, stored = read_parquet(file)
        return geometries, columns, crs or stored
    file = within(file)
    options, stored = open_options(file)
    try:
        # A table shows that it has geometries only once it is told in which columns.
        chosen = layer or (0 if options else _only_layer(file))
        meta, _, wkb, fields = pyogrio.raw.read(file, layer=chosen, force_2d=True, datetime_as_string=True, **options)
    except DataLayerError as error:
        raise InputError(
            f"{file}: there is no layer '{layer}', so name one of: {', '.join(_spatial_layers(file))}."
        ) from error
    except (DataSourceError, FieldError, GeometryError) as error:
        far = " and that its server answers" if is_virtual(file) and local_file(file) is None else ""
        raise InputError(f"{file}: this cannot be read as a vector file, so check that it is whole{far}.") from error
    if wkb is None or not len(wkb):
        return np.empty(0, dtype=object), {}, ""
    try:
        geometries = shapely.from_wkb(wkb)
    except shapely.errors.GEOSException as error:
        raise InputError(
            f"{name}: a geometry cannot be decoded, so export the layer anew with straight edges."
        ) from error
    columns = {str(c): np.asarray(v) for c, v in zip(meta["fields"], fields, strict=True)}
    return outlines_of(file, geometries), columns, crs or str(meta["crs"] or "") or stored


def _spatial_layers(file: str) -> list[str]:
    return [str(name) for name, kind in pyogrio.list_layers(file) if kind is not None]


def _only_layer(file: str) -> str:
    layers = _spatial_layers(file)
    if not layers:
        raise InputError(f"{file}: the file has no layer with geometries, so name a vector file with one.")
    if len(layers) > 1:
        raise InputError(
            f"{file}: the file has the layers {', '.join(layers)}, so name one as '{file}|layername={layers[0]}'."
        )
    return layers[0]


def to_working_crs(
    features: Features,
    crs: str,
    crs_wkt: str,
    kinds: frozenset[shapely.GeometryType],
    wanted: str,
    labels: Sequence[str],
) -> npt.NDArray[np.object_]:
    """Check every geometry and reproject it to `crs_wkt`. `labels` name the features in messages.

    Raises InputError for a kind not in `kinds` (`wanted` says it in words), a polygon that crosses itself (with the
    place, in the file's coordinates), a polygon without area, and a place that the working CRS cannot hold.
    """
    name = features.name
    types = shapely.get_type_id(features.geometries)
    for label, kind, geometry in zip(labels, types, features.geometries, strict=True):
        if shapely.GeometryType(kind) not in kinds:
            raise InputError(f"{name}: {label} is a {geometry.geom_type}, so give {wanted}{_instead(kind, kinds)}.")
        _check_shape(name, label, geometry)
    change = transformer(crs, crs_wkt)
    moved = shapely.transform(features.geometries, lambda x, y: change.transform(x, y), interleaved=False)
    for label, geometry in zip(labels, moved, strict=True):
        if not all(math.isfinite(v) for v in geometry.bounds):
            raise InputError(
                f"{name}: {label} lies where the elevation's CRS does not reach, so check the CRS of the layer."
            )
        _check_shape(name, label, geometry)
    return np.asarray(moved, dtype=object)


def _instead(kind: int, kinds: frozenset[shapely.GeometryType]) -> str:
    """What else to say of points where outlines are needed."""
    alone = shapely.GeometryType(kind) in POINTS and kinds <= POLYGONS
    return ": a point tells where a parcel is and not how far it reaches, so draw or fetch its outline" if alone else ""


def _check_shape(name: str, label: str, geometry: shapely.Geometry) -> None:
    if not shapely.is_valid(geometry):
        reason = shapely.is_valid_reason(geometry).replace("[", " at [")
        raise InputError(f"{name}: {label} is not a valid shape ({reason}), so repair it (in QGIS: Fix geometries).")
    if geometry.geom_type.endswith("Polygon") and not geometry.area > 0.0:
        raise InputError(f"{name}: {label} has no area, so draw it anew or delete it.")


def as_text(value: object) -> str:
    """A column's value as text: whole numbers without a decimal point, missing values as ''."""
    if value is None or (isinstance(value, float | np.floating) and math.isnan(value)):
        return ""
    if isinstance(value, float | np.floating) and float(value).is_integer():
        return str(int(value))
    text = str(value).strip()
    return "" if text == "NaT" else text
