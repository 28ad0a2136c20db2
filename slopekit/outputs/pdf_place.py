"""Where on the Earth a map on a page lies: the geospatial marks of ISO 32000-2, section 12.10."""

from dataclasses import dataclass

import numpy as np
import pyproj
from pypdf.generic import ArrayObject, DictionaryObject, FloatObject, NameObject, NumberObject, TextStringObject
from pyproj.exceptions import CRSError

from slopekit.grid import Bounds
from slopekit.sources.units_of import horizontal_crs
from slopekit.sources.warp import transformer

_WORLD = "EPSG:4326"
# Corners of a box, from the lower left clockwise, as parts of its width and height.
_CORNERS = np.array([(0.0, 0.0), (0.0, 1.0), (1.0, 1.0), (1.0, 0.0)])


@dataclass(frozen=True)
class Viewport:
    """A map on a page, north of its grid up."""

    box: Bounds
    """Left, bottom, right and top on the page, points."""
    ground: Bounds
    """West, south, east and north of it, in `crs`."""
    crs: str
    """WKT or name."""


def corners(view: Viewport) -> dict[str, tuple[float, float]]:
    """Latitude and longitude (WGS 84) of the corners of a map: 'sw', 'nw', 'ne', 'se'."""
    return dict(zip(("sw", "nw", "ne", "se"), _lat_lon(view, _WORLD), strict=True))


def grid_north_deg(view: Viewport) -> float:
    """Degrees that the grid's north lies clockwise of true north in the middle of a map."""
    west, south, east, north = view.ground
    x, y = (west + east) / 2.0, np.array([south, north])
    lon, lat = transformer(view.crs, _WORLD).transform(np.array([x, x]), y)
    azimuth, _, _ = pyproj.Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])
    return float(azimuth)


def mark(view: Viewport) -> DictionaryObject:
    """The viewport dictionary of a page: what maps on phones and GIS read."""
    crs = horizontal_crs(view.crs)
    # Degrees of the map's own datum, as the standard asks: none is shifted by the reader.
    base = _WORLD if crs.geodetic_crs is None else crs.geodetic_crs.to_wkt()
    inside = _numbers(_CORNERS.ravel())
    system: dict[str, object] = {"/Type": NameObject("/PROJCS"), "/WKT": TextStringObject(_wkt(crs))}
    if (code := crs.to_epsg()) is not None:
        system["/EPSG"] = NumberObject(code)
    measure: dict[str, object] = {
        "/Type": NameObject("/Measure"),
        "/Subtype": NameObject("/GEO"),
        "/Bounds": inside,
        "/LPTS": inside,
        "/GPTS": _numbers(_lat_lon(view, base).ravel()),
        "/GCS": _dictionary(system),
    }
    return _dictionary(
        {
            "/Type": NameObject("/Viewport"),
            "/Name": TextStringObject("Map"),
            "/BBox": _numbers(np.array(view.box)),
            "/Measure": _dictionary(measure),
        }
    )


def _lat_lon(view: Viewport, geographic: str) -> np.ndarray:
    """(4, 2): latitude and longitude of the corners in a geographic CRS."""
    low, high = np.array(view.ground[:2]), np.array(view.ground[2:])
    places = low + _CORNERS * (high - low)
    lon, lat = transformer(view.crs, geographic).transform(places[:, 0], places[:, 1])
    return np.column_stack([lat, lon])


def _wkt(crs: pyproj.CRS) -> str:
    try:
        return crs.to_wkt("WKT1_ESRI")
    except CRSError:
        return crs.to_wkt("WKT1_GDAL")


def _numbers(values: np.ndarray) -> ArrayObject:
    return ArrayObject(FloatObject(f"{value:.10f}") for value in values)


def _dictionary(entries: dict[str, object]) -> DictionaryObject:
    return DictionaryObject({NameObject(name): value for name, value in entries.items()})
