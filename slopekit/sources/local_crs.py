"""The CRS in which the ground of a place is measured, so that lengths there are those on the ground."""

from collections.abc import Sequence

import numpy as np
import pyproj
from numpy.typing import NDArray
from pyproj.exceptions import CRSError

from slopekit.sources.units_of import horizontal_crs, same_crs
from slopekit.sources.warp import SCALE_TOLERANCE, transformer

_GEOGRAPHIC = "EPSG:4326"


def local_crs(crs: str, places: NDArray[np.float64], surveys: Sequence[str]) -> list[str]:
    """WKT or name of the CRS to measure each place in.

    crs: WKT of the CRS in which results come. places: (places, 2), x and y in it. surveys: CRS of the survey of each
    place, '' where it is not known. The survey's CRS, else `crs` itself: the first of them whose lengths are off by at
    most 1 % there, as those of a survey's own grid are. Else a transverse Mercator projection (WGS 84) on the nearest
    whole degree of longitude, whose lengths are off by 0.004 % at most and whose north is true north within half a
    degree. Where the choice has the same axes as `crs`, `crs` itself is returned.
    """
    lon, lat = transformer(crs, _GEOGRAPHIC).transform(places[:, 0], places[:, 1])
    central = {float(meridian): _central(float(meridian)) for meridian in np.unique(np.round(lon))}
    out = np.array([central[float(meridian)] for meridian in np.round(lon)], dtype=object)
    out[_true_to_scale(crs, lon, lat)] = crs
    # The survey's own goes before the result's.
    own = np.array(surveys, dtype=object)
    for one in dict.fromkeys(surveys):
        at = np.flatnonzero(own == one)
        true = at[_true_to_scale(one, lon[at], lat[at])]
        if true.size:
            out[true] = crs if same_crs(one, crs) else one
    return [str(one) for one in out]


def _true_to_scale(crs: str, lon: NDArray[np.float64], lat: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether lengths in a CRS are off by no more than a survey's may be; never in degrees or in what is no
    CRS."""
    no = np.zeros(lon.shape, bool)
    try:
        horizontal = horizontal_crs(crs)
    except CRSError:
        return no
    if not horizontal.is_projected:
        return no
    factors = pyproj.Proj(horizontal).get_factors(lon, lat)
    scales = np.stack([np.asarray(factors.meridional_scale), np.asarray(factors.parallel_scale)])
    # What lies beyond the projection is infinite or missing, and false in a comparison.
    return np.all(np.abs(scales - 1.0) <= SCALE_TOLERANCE, axis=0)


def _central(meridian: float) -> str:
    return pyproj.CRS.from_dict({"proj": "tmerc", "lon_0": meridian, "datum": "WGS84", "units": "m"}).to_wkt()
