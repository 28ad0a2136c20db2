"""The working grid of a survey, and heights on it where its own cells cannot serve (degrees, rotated, distorted)."""

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pyproj
from pyproj.exceptions import ProjError

from slopekit.errors import InputError
from slopekit.grid import Grid, Window
from slopekit.sources.mosaic import Mosaic, inverse_of, place
from slopekit.sources.tiles import Heights
from slopekit.sources.units_of import horizontal_crs, metres_per_unit, on_earth

SCALE_TOLERANCE = 0.01
"""A projection whose lengths are off by more at the grid's centre would bend slopes: 1 % makes 20 degrees read 19.8."""

_CHUNK = 512


@lru_cache(maxsize=16)
def transformer(from_wkt: str, to_wkt: str) -> pyproj.Transformer:
    """Coordinates of one CRS to another, x (east, longitude) first in both.

    Raises InputError where there is no way between them, as from another planet's.
    """
    first, second = horizontal_crs(from_wkt), horizontal_crs(to_wkt)
    try:
        return pyproj.Transformer.from_crs(first, second, always_xy=True)
    except ProjError as error:
        raise InputError(
            f"There is no way from the CRS '{first.name}' to the CRS '{second.name}', so check those of the files."
        ) from error


def cell_on_ground(mosaic: Mosaic) -> tuple[float, float]:
    """Width and height in metres of a cell at the centre of the mosaic, measured on the ellipsoid.

    Raises InputError for a CRS that is neither geographic nor projected, and for positions that it cannot hold.
    """
    crs, name = horizontal_crs(mosaic.crs), mosaic.tiles[0].name
    if not on_earth(crs) or crs.geodetic_crs is None or crs.ellipsoid is None:
        raise InputError(f"{name}: the CRS '{crs.name}' has no known place on the Earth, so assign a projected CRS.")
    x, y = place(mosaic.affine, mosaic.width / 2 + np.array([0, 1, 0]), mosaic.height / 2 + np.array([0, 0, 1]))
    lon, lat = transformer(mosaic.crs, crs.geodetic_crs.to_wkt()).transform(x, y)
    if not (np.isfinite(lon).all() and np.isfinite(lat).all() and np.abs(lat).max() <= 90 and np.abs(lon).max() <= 540):
        raise InputError(
            f"{name}: the position ({x[0]:.6g}, {y[0]:.6g}) does not exist in the CRS '{crs.name}', "
            f"so assign the right CRS."
        )
    geod = pyproj.Geod(a=crs.ellipsoid.semi_major_metre, b=crs.ellipsoid.semi_minor_metre)
    _, _, lengths = geod.inv([lon[0], lon[0]], [lat[0], lat[0]], lon[1:], lat[1:])
    return float(lengths[0]), float(lengths[1])


def working_grid(mosaic: Mosaic) -> tuple[Grid, bool, tuple[str, ...]]:
    """The projected north-up grid to work on, whether heights must be interpolated to it, and notes on why.

    A projected north-up mosaic keeps its cells. A rotated one gets a north-up grid in its own CRS. Degrees, and a
    projection whose scale is off by more than 1 % here, get the UTM zone (WGS 84) of the centre. The new cell is
    square with about the old cell's area.
    """
    crs = horizontal_crs(mosaic.crs)
    ground = cell_on_ground(mosaic)
    a, b, c, d, e, f = mosaic.affine
    if crs.is_projected:
        unit = metres_per_unit(mosaic.crs)
        on_map = math.hypot(a, d) * unit, math.hypot(b, e) * unit
        scale = max((m / g for m, g in zip(on_map, ground, strict=True)), key=lambda s: abs(s - 1.0))
        if abs(scale - 1.0) <= SCALE_TOLERANCE:
            wkt = crs.to_wkt()
            if mosaic.straight:
                return Grid(mosaic.height, mosaic.width, c, f, a, -e, wkt, unit), False, ()
            why = "The grid is rotated"
            return _grid_over(mosaic, wkt, unit, math.sqrt(abs(a * e - b * d))), True, (_told(why),)
        why = f"The projection '{crs.name}' is off by {abs(scale - 1.0):.0%} in length here"
    else:
        why = "The grid is in degrees"
    target = _utm(mosaic)
    cell = math.sqrt(ground[0] * ground[1])
    return _grid_over(mosaic, target.to_wkt(), 1.0, cell), True, (_told(f"{why}, so it was put in '{target.name}'"),)


def _told(why: str) -> str:
    return (
        f"{why}; heights were interpolated (cubic) to a north-up grid, which blurs a sharp step over two cells, "
        f"so a drop can hide that the survey's own cells would show."
    )


def _utm(mosaic: Mosaic) -> pyproj.CRS:
    geographic = "EPSG:4326"
    x, y = place(mosaic.affine, mosaic.width / 2, mosaic.height / 2)
    lon, lat = transformer(mosaic.crs, geographic).transform(x, y)
    if abs(lat) > 84.0:
        return pyproj.CRS.from_epsg(5041 if lat > 0 else 5042)
    zone = int((lon + 180.0) // 6.0) % 60 + 1
    return pyproj.CRS.from_epsg((32600 if lat >= 0 else 32700) + zone)


def _grid_over(mosaic: Mosaic, wkt: str, unit: float, cell: float) -> Grid:
    """A grid of square cells over the whole mosaic, its edges on multiples of the cell."""
    # A round cell size, finer than the old one by less than 1 %, reads better in every report.
    digits = 2 - math.floor(math.log10(cell))
    cell = math.floor(cell * 10**digits * (1.0 + 1e-9)) / 10**digits
    side = np.linspace(0.0, 1.0, 65)
    zero, one = np.zeros_like(side), np.ones_like(side)
    cols = np.concatenate([side, side, zero, one]) * mosaic.width
    rows = np.concatenate([zero, one, side, side]) * mosaic.height
    x, y = transformer(mosaic.crs, wkt).transform(*place(mosaic.affine, cols, rows))
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise InputError(f"{mosaic.tiles[0].name}: the raster reaches beyond one map projection, so cut it first.")
    west, south = (math.floor(v / cell) for v in (x.min(), y.min()))
    east, north = (math.ceil(v / cell) for v in (x.max(), y.max()))
    return Grid(north - south, east - west, west * cell, north * cell, cell, cell, wkt, unit)


def interpolate(
    read: Callable[[int, int, int, int], Heights], mosaic: Mosaic, grid: Grid, window: Window
) -> npt.NDArray[np.float64]:
    """Heights at the cell centres of a window of `grid`, from the mosaic's own cells. `read` gives those by window.

    Cubic convolution with a = -0.5 (Keys 1981, doi:10.1109/TASSP.1981.1163711); bilinear where one of the 16 cells
    is missing, NaN where one of the 4 nearest is. A cell's value does not depend on the window that it is read in.
    """
    out = np.full((window.height, window.width), np.nan)
    back = transformer(grid.crs, mosaic.crs)
    inverse = inverse_of(mosaic.affine)
    for top in range(0, window.height, _CHUNK):
        for left in range(0, window.width, _CHUNK):
            part = out[top : top + _CHUNK, left : left + _CHUNK]
            xs = grid.west + (window.col + left + np.arange(part.shape[1]) + 0.5) * grid.step_x
            ys = grid.north - (window.row + top + np.arange(part.shape[0]) + 0.5) * grid.step_y
            x, y = back.transform(*np.meshgrid(xs, ys))
            # Positions in cells of the mosaic, counted from the centre of cell (0, 0).
            u, v = place(inverse, x, y)
            u, v = u - 0.5, v - 0.5
            with np.errstate(invalid="ignore"):
                inside = (u > -1.0) & (u < mosaic.width) & (v > -1.0) & (v < mosaic.height)
            if inside.any():
                part[inside] = _sampled(read, u[inside], v[inside])
    return out


def _sampled(read: Callable[[int, int, int, int], Heights], u: Heights, v: Heights) -> Heights:
    # Rounding in the projection must not make a centre that lies on a centre depend on its neighbours.
    u, v = (np.where(np.abs(w - np.round(w)) < 1e-6, np.round(w), w) for w in (u, v))
    i, j = np.floor(v).astype(np.int64), np.floor(u).astype(np.int64)
    top, left = int(i.min()) - 1, int(j.min()) - 1
    cells = read(top, left, int(i.max()) + 3 - top, int(j.max()) + 3 - left)
    down, right = v - i, u - j
    i, j = i - top, j - left
    z = _weighted(cells, i, j, _cubic(down), _cubic(right), -1)
    short = np.isnan(z)
    if short.any():
        linear = [1.0 - down[short], down[short]], [1.0 - right[short], right[short]]
        z[short] = _weighted(cells, i[short], j[short], *linear, 0)
    return z


def _cubic(t: Heights) -> list[Heights]:
    return [
        ((-0.5 * t + 1.0) * t - 0.5) * t,
        (1.5 * t - 2.5) * t * t + 1.0,
        ((-1.5 * t + 2.0) * t + 0.5) * t,
        (0.5 * t - 0.5) * t * t,
    ]


def _weighted(
    cells: Heights,
    i: npt.NDArray[np.int64],
    j: npt.NDArray[np.int64],
    down: list[Heights],
    right: list[Heights],
    at: int,
) -> Heights:
    z = np.zeros(i.shape)
    for k, by_row in enumerate(down):
        for m, by_col in enumerate(right):
            weight = by_row * by_col
            # A missing cell that has no weight is not needed.
            z += np.where(weight == 0.0, 0.0, weight * cells[i + (k + at), j + (m + at)])
    return z
