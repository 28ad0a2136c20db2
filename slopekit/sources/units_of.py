"""What a CRS and a band say about units: the horizontal part of a CRS, metres per unit, the vertical unit."""

import math
from functools import lru_cache
from typing import Literal

import pyproj
from pyproj.exceptions import CRSError

from slopekit.errors import InputError
from slopekit.units import METRES_PER_UNIT, unit_name

UnitFrom = Literal["option", "crs", "band", "assumed"]

_KNOWN = "metre, foot or us-survey-foot"


@lru_cache(maxsize=64)
def horizontal_crs(wkt: str) -> pyproj.CRS:
    """The two-dimensional part of a CRS: of a compound, bound or three-dimensional one, what places x and y."""
    crs = pyproj.CRS.from_user_input(wkt)
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    return crs.to_2d()


@lru_cache(maxsize=64)
def crs_code(wkt: str) -> str:
    """A name for what places x and y: authority and code where they are known, however the CRS is spelled; else WKT."""
    crs = horizontal_crs(wkt)
    known = crs.to_authority()
    return crs.to_wkt() if known is None else ":".join(known)


def on_earth(crs: pyproj.CRS) -> bool:
    """Whether a two-dimensional CRS says where on the Earth its coordinates lie. A local one of a plan does not."""
    return bool(crs.is_geographic or crs.is_projected)


@lru_cache(maxsize=256)
def same_crs(a: str, b: str) -> bool:
    """Whether two CRSs place x and y alike, however they are spelled."""
    return a == b or horizontal_crs(a).equals(horizontal_crs(b), ignore_axis_order=True)


@lru_cache(maxsize=256)
def crs_name(wkt: str) -> str:
    """The name of the horizontal part of a CRS where that name finds it again, else its WKT."""
    crs = horizontal_crs(wkt)
    try:
        return crs.name if pyproj.CRS.from_user_input(crs.name).equals(crs, ignore_axis_order=True) else crs.to_wkt()
    except CRSError:
        return crs.to_wkt()


def metres_per_unit(wkt: str) -> float:
    """Metres in one unit of the first axis of a projected CRS."""
    return float(horizontal_crs(wkt).axis_info[0].unit_conversion_factor)


@lru_cache(maxsize=64)
def crs_height_axis(wkt: str) -> tuple[str, float, str] | None:
    """Unit name, metres in it and direction ('up', 'down') of a CRS's height axis, or None when it has none."""
    crs = pyproj.CRS.from_user_input(wkt)
    parts = crs.sub_crs_list if crs.is_compound else [crs]
    for part in parts:
        whole = part.source_crs if part.is_bound and part.source_crs is not None else part
        for axis in whole.axis_info:
            if axis.direction in ("up", "down"):
                return axis.unit_name, float(axis.unit_conversion_factor), axis.direction
    return None


@lru_cache(maxsize=64)
def height_system(wkt: str) -> str | None:
    """Name of what a CRS counts heights from, or None where it does not say."""
    crs = pyproj.CRS.from_user_input(wkt)
    for part in crs.sub_crs_list if crs.is_compound else [crs]:
        if part.is_vertical and part.datum is not None:
            return part.datum.name
    if crs.is_compound or len(crs.axis_info) < 3 or crs.datum is None:
        return None
    return f"the ellipsoid of {crs.datum.name}"


def _by_length(metres: float) -> str | None:
    """The library's name of a unit of this length. The two feet differ by 2 parts in a million."""
    for name, length in METRES_PER_UNIT.items():
        if math.isclose(metres, length, rel_tol=1e-8):
            return name
    return None


def vertical_unit(
    file: str, wkt: str, band_unit: str, option: str | None, horizontal_metres: float
) -> tuple[str, UnitFrom, tuple[str, ...]]:
    """Decide the unit of the heights: option, then CRS, then the band's unit tag, then metre if x and y are metres.

    `horizontal_metres` is the length of a unit of the files' own grid, 1 where that is in degrees. Returns the
    library's unit name, where it came from, and notes on sources that disagree. Raises InputError for a unit that is
    not known by name, and for a grid that is not in metres whose heights have no unit: metre heights on a foot grid
    would make 20 degrees read 6.
    """
    from_crs, from_band = crs_height_axis(wkt), band_unit.strip()
    if from_crs is not None and from_crs[2] == "down":
        raise InputError(f"{file}: the CRS counts depths downward, so convert the raster to heights above a datum.")
    told: list[tuple[UnitFrom, str]] = []
    if option is not None:
        name = unit_name(option)
        if name is None:
            raise InputError(f"{file}: the vertical unit '{option}' is not known, so give --z-unit as {_KNOWN}.")
        told.append(("option", name))
    if from_crs is not None:
        name = _by_length(from_crs[1])
        if name is None and not told:
            raise InputError(
                f"{file}: the CRS gives heights in '{from_crs[0]}', which is not known, so name --z-unit {_KNOWN}."
            )
        told.append(("crs", name or from_crs[0]))
    if from_band:
        name = unit_name(from_band)
        if name is None and not told:
            raise InputError(
                f"{file}: the band gives heights in '{from_band}', which is not known, so name --z-unit {_KNOWN}."
            )
        told.append(("band", name or from_band))
    if not told:
        if not math.isclose(horizontal_metres, 1.0, rel_tol=1e-9):
            raise InputError(
                f"{file}: the grid's horizontal unit is {horizontal_metres:.9g} m and nothing tells the unit of the "
                f"heights, so name --z-unit {_KNOWN}."
            )
        return "metre", "assumed", ("The unit of the heights is not stated and was assumed to be the metre.",)
    source, unit = told[0]
    words = {"option": "the option", "crs": "the CRS", "band": "the band's unit tag"}
    notes = tuple(
        f"Heights were read in {unit} as {words[source]} says, though {words[other]} says {name}."
        for other, name in told[1:]
        if name != unit
    )
    return unit, source, notes
